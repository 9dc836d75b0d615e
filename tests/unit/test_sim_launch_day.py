"""An invented launch day holds together before any firmware runs."""

import numpy as np
import pytest

from apexfix.sim import meadow
from apexfix.sim.launch_day import LaunchDay
from apexfix.site_file import read_site


@pytest.fixture(scope="module")
def day(tmp_path_factory, micropython):
    with LaunchDay(3, tmp_path_factory.mktemp("day")) as day:
        yield day


def test_the_survey_is_wrong_by_its_stated_sigma_and_no_more(day):
    site = read_site(day.site_toml())
    surveyed = np.array([station.position_m for station in site.stations])
    assert [station.unit for station in site.stations] == list(day.ports)
    assert [station.sigma_position_m for station in site.stations] == [meadow.SURVEY_SIGMA_M] * 3
    assert 0 < np.abs(surveyed - day.stations_m).max() < 4 * meadow.SURVEY_SIGMA_M


def test_every_unit_marks_every_flight_but_for_the_scripted_mishaps(day):
    missed_flight, missed_station = day.mishaps.missed
    double_flight, double_station = day.mishaps.double
    expected = {(flight, station): 1 for flight in range(1, 7) for station in "ABC"}
    expected[(missed_flight + 1, "ABC"[missed_station])] = 0
    expected[(double_flight + 1, "ABC"[double_station])] = 2
    marks = [(event.flight, event.station) for event in day.events if event.kind == "mark"]
    assert {key: marks.count(key) for key in expected} == expected


def test_marks_lie_about_the_apex_within_human_reaction(day):
    late_s = [(e.utc_us - day.truth[e.flight].utc_us) * 1e-6 for e in day.events if e.kind == "mark" and e.mishap == ""]
    assert np.abs(late_s).max() < 1.2  # four sigma of 0.3 s
    assert np.std(late_s) > 0.1


def test_every_flight_has_a_backsight_before_and_after_it(day):
    for flight, apex in day.truth.items():
        for station in "ABC":
            times = [e.utc_us for e in day.events if (e.flight, e.station, e.kind) == (flight, station, "reference")]
            assert min(times) < apex.utc_us < max(times)
