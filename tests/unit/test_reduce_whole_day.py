"""A backsight that is wrong by degrees, through the whole reduction of a day; the directions come by arc tangents."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.model import Flight, Sighting, Site, Station
from apexfix.reduce import whole_day
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options

DEG = np.pi / 180
PLACES = {"A": (70.0, 40.0, 1.5), "B": (-20.0, 110.0, 1.5), "C": (-90.0, -110.0, 1.5)}
POINTING, ZERO = 0.3 * DEG, 0.1 * DEG


def seen(rng, fault_deg, stations="ABC"):
    """Return a site, six flights and their apexes; the azimuth zero of station B is wrong by the fault."""
    site = Site("invented", tuple(Station(n, np.array(PLACES[n]), 0.05, None, None, ZERO, ZERO, None, 0.0) for n in stations))
    zero = {n: rng.normal(0, ZERO, 2) + np.array([fault_deg * DEG * (n == "B"), 0.0]) for n in stations}
    apexes = np.column_stack([rng.normal(0, 25, (6, 2)), rng.uniform(90, 230, 6)])
    flights = []
    for number, apex in enumerate(apexes, 1):
        sightings = []
        for n in stations:
            east, north, up = apex - np.array(PLACES[n])
            elevation = np.arctan2(up, np.hypot(east, north))
            across = POINTING / np.cos(elevation)
            azimuth = np.arctan2(east, north) + zero[n][0] + rng.normal(0, across)
            read = elevation + zero[n][1] + rng.normal(0, POINTING)
            sightings.append(Sighting(number, n, None, float(azimuth % (2 * np.pi)), float(read), across, POINTING))
        flights.append(Flight(number, tuple(sightings)))
    return site, flights, apexes


@pytest.fixture(scope="module")
def ten_days():
    """The height errors of ten days with a fault of two degrees, alone and together, and how often station B was named."""
    errors, named = {True: [], False: []}, 0
    for seed in range(10):
        site, flights, apexes = seen(np.random.default_rng(seed), 2.0)
        for together in (True, False):
            day = reduce_day(site, flights, Options(whole_day=together))
            errors[together] += [r.position_m[2] - apex[2] for r, apex in zip(day.flights, apexes, strict=True)]
            named += together and any("azimuth zero of station B" in remark and "look at" in remark for remark in day.remarks)
    return {k: float(np.sqrt(np.mean(np.square(v)))) for k, v in errors.items()}, named


def test_an_azimuth_zero_that_is_wrong_by_two_degrees_is_found_from_six_flights(ten_days):
    assert ten_days[1] >= 8


def test_the_heights_of_the_day_gain_by_it(ten_days):
    rms_m = ten_days[0]
    assert rms_m[True] < 0.9 * rms_m[False]


def test_a_day_without_a_fault_names_no_zero_and_says_what_it_cannot_tell():
    site, flights, _ = seen(np.random.default_rng(1), 0.0)
    remarks = reduce_day(site, flights).remarks
    assert not any("look at" in remark for remark in remarks)
    assert any("cannot tell" in remark for remark in remarks)


def with_blunders(seed):
    """Return a day with a backsight that is wrong by two degrees, and a wild elevation in about every other flight."""
    rng = np.random.default_rng(seed)
    site, flights, _ = seen(rng, 2.0)
    for k, flight in enumerate(flights):
        if rng.random() < 0.5:
            sightings, n = list(flight.sightings), rng.integers(3)
            wild = sightings[n].elevation_rad + rng.choice([-1, 1]) * rng.uniform(1.5, 6) * DEG
            sightings[n] = replace(sightings[n], elevation_rad=wild)
            flights[k] = Flight(flight.number, tuple(sightings))
    return site, flights


@pytest.mark.parametrize("seed", [5, 22, 35])
def test_a_day_is_adjusted_until_its_flights_keep_the_readings_that_were_adjusted(seed):
    remarks = reduce_day(*with_blunders(seed)).remarks
    assert any("of all 6 flights" in remark for remark in remarks)


def test_flights_whose_readings_are_not_those_of_the_adjustment_stand_alone_and_the_day_says_so(monkeypatch):
    monkeypatch.setattr(whole_day, "_ROUNDS", 1)
    day = reduce_day(*with_blunders(35))
    assert any("of 5 flights" in remark and "in their order, 4 would" in remark for remark in day.remarks)
    joint = ["unit zero and survey" in flight.budget_m for flight in day.flights]
    assert joint == [True, True, True, False, True, True]
