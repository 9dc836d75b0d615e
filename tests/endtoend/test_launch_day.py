"""The main job, whole: the real command line, through pseudo-terminals, to the real firmware on a real MicroPython."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.fieldwork import read_field_day
from apexfix.records import MARK
from apexfix.units import SECOND_US

SEED = 11
APEXFIX = [sys.executable, "-c", "from apexfix.cli import main; main()"]


def apexfix(*words: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*APEXFIX, *map(str, words)], capture_output=True, text=True, timeout=300, cwd=cwd)


@pytest.fixture(scope="module")
def day(tmp_path_factory, micropython):
    """The folder of one rehearsed day, and what `demo --json` printed."""
    desk = tmp_path_factory.mktemp("rehearsal")
    folder = desk / "day"
    done = apexfix("demo", "--out", "day", "--seed", SEED, "--json", cwd=desk)  # a relative path, as a person types it
    assert done.returncode == 0, done.stderr
    return folder, json.loads(done.stdout)


@pytest.fixture(scope="module")
def true_day(tmp_path_factory, micropython):
    """What truly happened on the day of that seed: the simulator's own account, which the reduction never sees."""
    from apexfix.sim.launch_day import LaunchDay

    with LaunchDay(SEED, tmp_path_factory.mktemp("truth")) as account:
        yield account


def test_every_flight_is_found_solved_and_judged(day, true_day):
    _, document = day
    assert [flight["flight"] for flight in document["flights"]] == sorted(true_day.truth)
    for flight in document["flights"]:
        assert flight["verdict"] in {"accepted", "doubtful", "rejected"}
        assert flight["reasons"]
        assert flight["truth_m"] == pytest.approx(true_day.truth[flight["flight"]].up_m)


def test_every_height_is_right_within_four_of_its_sigmas(day):
    # One day of six flights: the share inside the 95 % interval is measured over many seeds in bench/, not here.
    for flight in day[1]["flights"]:
        assert abs(flight["height_m"] - flight["truth_m"]) < 4 * flight["sigma_m"], flight


def test_every_mark_lands_in_the_flight_that_its_observer_saw(day, true_day):
    field = read_field_day(day[0])
    pressed = [event for event in true_day.events if event.kind == "mark"]
    for flight in field.flights:
        for sighting in flight.sightings:
            event = min((e for e in pressed if e.station == sighting.station), key=lambda e: abs(e.utc_us - sighting.utc_us))
            assert event.flight == flight.number
            # a boot whose clock was compared only once knows its rate to 50 ppm; the stated sigma holds that
            assert abs(event.utc_us - sighting.utc_us) < 3 * sighting.sigma_time_s * SECOND_US


def test_the_mishaps_of_the_day_leave_their_trace(day, true_day):
    flights = {flight["flight"]: flight for flight in day[1]["flights"]}
    plan = true_day.mishaps
    stations = [station["id"] for station in _stations(day[0])]
    missed, double = flights[plan.missed[0] + 1], flights[plan.double[0] + 1]
    assert stations[plan.missed[1]] not in {residual["station"] for residual in missed["residuals"]}
    assert any(e["station"] == stations[plan.double[1]] and e["quantity"] == "mark" for e in double["excluded"])
    assert "counted this as its flight" in str(day[1])
    overhead = next(f for f in read_field_day(day[0]).flights if f.number == plan.overhead[0] + 1)
    leaning = next(s for s in overhead.sightings if s.station == stations[plan.overhead[1]])
    assert leaning.elevation_rad > 1.5708


def test_the_unit_that_was_rebooted_has_two_boots_with_marks_in_both(day, true_day):
    flight, station = true_day.mishaps.reboot
    with open_archive(day[0] / ARCHIVE_NAME) as archive:
        name = _stations(day[0])[station]["unit"]
        serial = next(unit.serial for unit in archive.units() if unit.name == name)
        marks = [p.record for p in archive.presses() if p.serial == serial and p.record.kind == MARK]
        conflicts = archive.conflicts()
    assert {mark.boot for mark in marks} == ({1, 2} if flight < 5 else {1})
    assert conflicts == ()


def test_the_window_around_each_mark_is_whole(day):
    with open_archive(day[0] / ARCHIVE_NAME) as archive:
        for stored in archive.presses():
            if stored.record.kind == MARK:
                windows = archive.windows(stored)
                t_us = [int(t) for window in windows for t in window.t_us]
                assert sum(len(window.t_us) for window in windows) == windows[0].total
                assert t_us == sorted(t_us)
                assert t_us[0] <= -2_950_000
                assert t_us[-1] >= 950_000


def test_reducing_again_gives_the_same_answer_and_the_report_holds_it(day):
    folder, document = day
    done = apexfix("reduce", folder, "--json")
    again = json.loads(done.stdout)
    assert again["flights"] == [{k: v for k, v in flight.items() if k != "truth_m"} for flight in document["flights"]]
    assert json.loads((folder / "report" / "results.json").read_text(encoding="utf-8")) == again
    page = (folder / "report" / "report.html").read_text(encoding="utf-8")
    assert "http" not in page.replace("http://www.w3.org", "")  # nothing is fetched; the SVG name space is only a name


def test_the_altimeter_on_board_is_paired_with_every_flight_and_right_within_three_of_its_sigmas(day):
    folder, document = day
    truth_m = {flight["flight"]: flight["truth_m"] for flight in document["flights"]}
    done = apexfix("compare", folder, folder / "altimeter.csv", "--temperature", 24, "--humidity", 50, "--json")
    told = json.loads(done.stdout)
    assert done.returncode == 0, done.stderr
    assert {flight["flight"] for flight in told["flights"]} == set(truth_m)  # its clock is 6 s behind
    for flight in told["flights"]:
        assert abs(flight["control_m"] - truth_m[flight["flight"]]) < 3 * flight["sigma_control_m"], flight
        assert flight["control"]["masked_samples"] >= 1  # the ejection charge
    assert told["consistency"]["probability"] > 0.001


def test_the_log_of_that_one_day_tells_its_flights_and_accuses_nobody(day):
    done = apexfix("history", day[0], "--json")
    told = json.loads(done.stdout)
    assert done.returncode == 0, done.stderr
    (rocket,) = told["rockets"]
    assert [flight["height_m"] for flight in rocket["flights"]] == [flight["height_m"] for flight in day[1]["flights"]]
    assert {unit["unit"] for unit in told["days"][0]["units"]} == {station["unit"] for station in _stations(day[0])}
    assert all(course["tests"] == [] for course in told["courses"])


def test_a_second_rehearsal_into_the_same_folder_is_refused(day):
    done = apexfix("demo", "--out", day[0])
    assert done.returncode == 4
    assert "is not empty" in done.stderr


def test_help_loads_no_heavy_library():
    code = "import sys; from apexfix.cli import main; main(['--help'], standalone_mode=False); print(sorted(sys.modules))"
    modules = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    for heavy in ("numpy", "scipy", "serial", "jinja2", "sqlite3"):
        assert f"'{heavy}'" not in modules


def _stations(folder: Path):
    import tomllib

    return tomllib.loads((folder / "site.toml").read_text(encoding="utf-8"))["station"]
