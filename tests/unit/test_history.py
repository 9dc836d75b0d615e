"""The log of many days: nothing is lost, predictions stand beside, an instrument that is off is found and others seldom accused."""

import csv
import json
from datetime import date, timedelta
from math import atan2, cos, degrees, hypot
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from apexfix.cli import main
from apexfix.cli.reduction import reduced
from apexfix.history import drift
from apexfix.history.days import Day, day_folders, in_order, read_day
from apexfix.history.drift import DayMedian, alarms, courses, holm, weighted_median
from apexfix.history.log import history_of
from apexfix.history.others import apart_from_others
from apexfix.history.page import history_html
from apexfix.history.words import course_words
from apexfix.reduce.options import Options
from apexfix.units import DEG

STATIONS = {"A": (110.0, 0.0, 1.5), "B": (-60.0, 100.0, 1.5), "C": (-55.0, -95.0, 1.6)}
NO_DAY = Day(Path("day"), None, None, (), {})


def read_as(apex, station):
    """Return the azimuth and elevation in degrees at which a station sees an apex."""
    east, north, up = (a - s for a, s in zip(apex, STATIONS[station], strict=True))
    return degrees(atan2(east, north)) % 360, degrees(atan2(up, hypot(east, north)))


def write_day(folder, apexes, off=lambda flight, station: (0.0, 0.0), rockets=(), seed=1):
    """Write a day of hand readings with small random errors; `off` adds degrees to a station's azimuth and elevation."""
    draw = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    site = ['format = 1\n[site]\nname = "Invented"']
    for name, (east, north, up) in STATIONS.items():
        site.append(f'[[station]]\nid = "{name}"\neast_m = {east}\nnorth_m = {north}\nup_m = {up}\nunit = "u-{name}"')
        site.append("sigma_position_m = 0.05\nsigma_elevation_deg = 0.3\nsigma_azimuth_deg = 0.4")
        site.append("sigma_elevation_zero_deg = 0.1\nsigma_azimuth_zero_deg = 0.1")
    (folder / "site.toml").write_text("\n".join(site))
    rows = ["flight,station,azimuth_deg,elevation_deg"]
    for flight, apex in enumerate(apexes, 1):
        for name in STATIONS:
            azimuth, elevation = read_as(apex, name)
            extra = off(flight, name)
            azimuth += extra[0] + draw.normal(0, 0.3) / cos(elevation * DEG)
            rows.append(f"{flight},{name},{azimuth % 360:.3f},{elevation + extra[1] + draw.normal(0, 0.3):.3f}")
    (folder / "sightings.csv").write_text("\n".join(rows) + "\n")
    if rockets:
        named = [f'[[flight]]\nnumber = {n}\nrocket = "{name}"' for n, name in enumerate(rockets, 1) if name]
        (folder / "flights.toml").write_text("format = 1\n" + "\n".join(named))
    return folder


def day_of(folder):
    return read_day(folder, lambda each: reduced(each, Options()))


def apart_deg(day, station, quantity):
    """Return how far a reading of the first flight is from all others."""
    found = {(apart.station, apart.quantity): apart.value_rad / DEG for apart in apart_from_others(day.result.site, day.alone[0])}
    return found[station, quantity]


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments], catch_exceptions=False)


# --- days -----------------------------------------------------------------------------------------------------------


def test_a_folder_of_days_stands_for_them(tmp_path):
    for name in ("b", "a"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "site.toml").write_text("")
    (tmp_path / "no day").mkdir()
    assert day_folders([tmp_path]) == (tmp_path / "a", tmp_path / "b")
    assert day_folders([tmp_path / "b", tmp_path]) == (tmp_path / "b", tmp_path / "a")


def test_a_folder_that_is_no_day_is_listed_and_not_skipped(tmp_path):
    (told,) = [day_of(folder) for folder in day_folders([tmp_path / "nothing"])]
    assert told.result is None
    assert "site.toml" in told.trouble


def test_days_come_by_date_and_undated_ones_last(tmp_path):
    days = [day_of(write_day(tmp_path / name, [(0, 0, 150)])) for name in ("field", "2026-05-02 x", "2026-04-30")]
    assert [day.folder.name for day in in_order(days)] == ["2026-04-30", "2026-05-02 x", "field"]
    assert days[1].date == date(2026, 5, 2)


def test_a_date_that_is_none_is_not_taken_from_a_name(tmp_path):
    assert day_of(write_day(tmp_path / "2026-13-41", [(0, 0, 150)])).date is None


# --- readings against all others ------------------------------------------------------------------------------------


@pytest.mark.parametrize("station", STATIONS)
def test_apart_from_others_is_the_misclosure_against_the_fix_without_the_reading(tmp_path, station):
    # a second way: take the azimuth out of the file, reduce again, and see where the rest has it
    folder = write_day(tmp_path / "day", [(12, -8, 150)])
    day = day_of(folder)
    found = {(apart.station, apart.quantity): apart for apart in apart_from_others(day.result.site, day.alone[0])}
    lines = (folder / "sightings.csv").read_text().splitlines()
    cut = [",".join([*line.split(",")[:2], "", line.split(",")[3]]) if f",{station}," in line else line for line in lines]
    (folder / "sightings.csv").write_text("\n".join(cut) + "\n")
    without = day_of(folder).alone[0]
    east, north, up = without.position_m
    read = next(float(line.split(",")[2]) for line in lines if f",{station}," in line)
    predicted, _ = read_as((east, north, up), station)
    # the two differ by what is not linear: a degree over a hundred metres
    assert found[station, "azimuth"].value_rad / DEG == pytest.approx(read - predicted, abs=0.03)


def test_an_error_of_one_reading_shows_in_full(tmp_path):
    clean = day_of(write_day(tmp_path / "a", [(12, -8, 150)]))
    off = day_of(write_day(tmp_path / "b", [(12, -8, 150)], off=lambda _, name: (0.0, 0.6 if name == "B" else 0.0)))
    value_deg = [apart_deg(day, "B", "elevation") for day in (clean, off)]
    assert value_deg[1] - value_deg[0] == pytest.approx(0.6, abs=0.05)


def test_a_reading_that_was_left_out_counts_as_well(tmp_path):
    day = day_of(write_day(tmp_path / "day", [(12, -8, 150)], off=lambda _, name: (0.0, 6.0 if name == "B" else 0.0)))
    assert any(excluded.station == "B" for excluded in day.alone[0].excluded)
    assert apart_deg(day, "B", "elevation") == pytest.approx(6.0, abs=1.5)


# --- tests over the days --------------------------------------------------------------------------------------------


def medians(values_deg, first=date(2026, 5, 1), sigma_deg=0.2):
    days = [Day(Path(str(n)), first + timedelta(days=14 * n), None, (), {}) for n in range(len(values_deg))]
    return [DayMedian(day, value * DEG, sigma_deg * DEG, 4) for day, value in zip(days, values_deg, strict=True)]


def asked(monkeypatch, table):
    """Return the courses of a table (who, quantity) -> values of the days in degrees."""
    days = tuple(Day(Path(str(n)), date(2026, 5, 1) + timedelta(days=14 * n), None, (), {}) for n in range(20))
    by_day = {day.folder: [] for day in days}
    for key, values in table.items():
        for median in medians(values):
            by_day[median.day.folder].append((key, median))
    monkeypatch.setattr(drift, "_day_medians", lambda day: by_day[day.folder])
    return courses(days)


def test_two_days_are_too_few_to_ask_anything(monkeypatch):
    (course,) = asked(monkeypatch, {("unit u1", "azimuth"): [0.5, 0.5]})
    assert course.questions == ()


def test_three_days_ask_for_an_offset_and_four_for_a_drift(monkeypatch):
    three, four = asked(monkeypatch, {("a", "azimuth"): [0.1, 0.2, 0.0], ("b", "azimuth"): [0.1, 0.2, 0.0, 0.1]})
    assert [question.asks for question in three.questions] == ["offset"]
    assert [question.asks for question in four.questions] == ["offset", "drift"]


def test_the_offset_of_equally_sure_days_is_students_test(monkeypatch):
    # five values with mean 0.3 and standard deviation 0.158113883: t = 4.242640687 on 4, two-sided probability 0.013236
    (course,) = asked(monkeypatch, {("a", "azimuth"): [0.1, 0.2, 0.3, 0.4, 0.5]})
    offset = course.questions[0]
    assert (offset.value / DEG, offset.sigma / DEG) == pytest.approx((0.3, 0.0707106781))
    assert offset.probability == pytest.approx(0.013236, abs=2e-6)  # statistical tables: t(4) of 2.776 is 0.05, of 4.604 is 0.01


def test_a_unit_that_drifts_is_found_and_named(monkeypatch):
    draw = np.random.default_rng(4)
    table = {(f"unit u{n}", "elevation"): draw.normal(0, 0.2, 10) for n in range(8)}
    table["unit u3", "elevation"] = table["unit u3", "elevation"] + 0.12 * np.arange(10)
    raised = alarms(asked(monkeypatch, table))
    assert {course.who for course, _ in raised} == {"unit u3"}
    question = next(question for _, question in raised if question.asks == "drift")
    assert question.value / DEG * 14 == pytest.approx(0.12, abs=3 * question.sigma / DEG * 14)


def test_false_alarms_come_once_in_twenty_logs_however_many_units_there_are(monkeypatch):
    draw = np.random.default_rng(2)
    wrong = 0
    for _ in range(300):
        table = {(f"unit u{n}", "azimuth"): draw.normal(0, 0.2, 6) for n in range(10)}
        wrong += bool(alarms(asked(monkeypatch, table)))
    # 20 tests a log: without an adjustment 64 % would cry; 5 % of 300 have a standard error of 1.3 %
    assert wrong / 300 == pytest.approx(0.05, abs=0.038)


def test_holm_never_makes_a_probability_smaller_nor_changes_their_order():
    draw = np.random.default_rng(1)
    for _ in range(50):
        raw = draw.uniform(0, 0.2, 9)
        found = np.array(holm(raw.tolist()))
        assert (found >= raw).all()
        assert (np.diff(found[np.argsort(raw)]) >= 0).all()
        assert (found <= 1).all()


def test_a_weighted_median_is_not_moved_by_a_reading_that_nobody_trusts():
    assert weighted_median(np.array([0.1, 0.2, 90.0]), np.array([1.0, 1.0, 1e-6])) == pytest.approx(0.15, abs=0.06)


def test_few_days_are_said_to_be_few():
    told = history_of([NO_DAY], ())
    assert "so few" in next(course_words(told))


# --- the command ----------------------------------------------------------------------------------------------------


@pytest.fixture
def log(tmp_path):
    """Four days of a rocket and one without, and a folder that cannot be read."""
    for n in range(4):
        rockets = ("Lark", "") if n < 3 else ("", "")
        write_day(tmp_path / "days" / f"2026-05-0{n + 1}", [(5, 3, 150 + n), (0, 9, 120)], rockets=rockets, seed=n)
    (tmp_path / "days" / "2026-06-01").mkdir()
    (tmp_path / "days" / "2026-06-01" / "site.toml").write_text("format = 2\n")
    return tmp_path


def test_the_document_tells_every_flight_of_every_day_and_names_the_broken_one(log):
    done = run("history", log / "days", "--json")
    told = json.loads(done.stdout)
    assert done.exit_code == 1
    assert [len(rocket["flights"]) for rocket in told["rockets"]] == [3, 5]
    assert [rocket["name"] for rocket in told["rockets"]] == ["Lark", None]
    assert [day["trouble"] is None for day in told["days"]] == [True] * 4 + [False]
    lark = told["rockets"][0]["flights"]
    for flight, truth_m in zip(lark, (150, 151, 152), strict=True):
        assert flight["interval95_m"][0] - 2 < truth_m < flight["interval95_m"][1] + 2
    assert {course["who"] for course in told["courses"]} == {"unit u-A", "unit u-B", "unit u-C"}


def test_a_rocket_file_gives_a_prediction_to_the_flights_that_bear_its_name(log, root):
    rocket = log / "Lark.toml"
    text = (root / "docs" / "example-rockets" / "burnout.toml").read_text()
    rocket.write_text(text.replace("Example burnout speed (invented)", "Lark"))
    told = json.loads(run("history", log / "days", "--rocket", rocket, "--json").stdout)
    lark, others = told["rockets"]
    for flight in lark["flights"]:
        low, high = flight["predicted_interval95_m"]
        assert low < flight["predicted_m"] < high
        assert flight["gap_sigmas"] == pytest.approx(
            (flight["height_m"] - flight["predicted_m"]) / hypot(flight["sigma_m"], (high - low) / 3.92), rel=0.05
        )
    assert all(flight["predicted_m"] is None for flight in others["flights"])


def test_a_rocket_that_nobody_flew_is_told(log, root):
    done = run("history", log / "days" / "2026-05-04", "--rocket", root / "docs" / "example-rockets" / "water.toml")
    assert "no flight is named to be of" in " ".join(done.stdout.split())


def test_page_and_rows_hold_the_numbers_of_the_document(log):
    done = run("history", log / "days", "--out", log / "out", "--json")
    flights = [flight for rocket in json.loads(done.stdout)["rockets"] for flight in rocket["flights"]]
    with open(log / "out" / "history.csv", newline="") as rows:
        written = list(csv.DictReader(rows))
    assert [float(row["height_m"]) for row in written] == [flight["height_m"] for flight in flights]
    page = (log / "out" / "history.html").read_text()
    for flight in flights:
        assert f"{flight['height_m']:.1f} ±" in page or f"{flight['height_m']:.2f} ±" in page
    assert "http" not in page


def test_one_good_day_ends_with_zero_and_none_with_five(log):
    assert run("history", log / "days" / "2026-05-01").exit_code == 0
    assert run("history", log / "days" / "2026-06-01").exit_code == 5


def test_a_hostile_name_of_a_rocket_stays_text(tmp_path):
    day = day_of(write_day(tmp_path / "day", [(0, 0, 150)], rockets=("<script>alert(1)</script>",)))
    page = history_html(history_of([day], ()))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_every_option_stands_on_the_page(root):
    page = (root / "docs" / "history.md").read_text(encoding="utf-8")
    command = main.get_command(None, "history")
    assert all(option in page for parameter in command.params for option in parameter.opts if option.startswith("--"))


def test_unrelated_flights_have_no_mean_and_flights_of_one_rocket_do(tmp_path):
    write_day(tmp_path / "2026-05-01", [(0, 0, 100), (0, 0, 200), (0, 0, 300), (0, 0, 310)], rockets=("", "", "Lark", "Lark"))
    done = run("history", tmp_path / "2026-05-01", "--json")
    named, unnamed = json.loads(done.stdout)["rockets"]
    assert (named["name"], unnamed["name"]) == ("Lark", None)
    assert named["mean_m"] == pytest.approx(305, abs=2)
    assert (unnamed["mean_m"], unnamed["sd_m"]) == (None, None)
    told = run("history", tmp_path / "2026-05-01").output
    assert told.count("Mean of the heights") == 1
    assert "No flights.toml says which rocket made these flights" in told


def test_two_days_of_one_date_are_told_apart_by_their_folders(tmp_path):
    for name in ("2026-05-01 upper", "2026-05-01 lower", "2026-05-02"):
        write_day(tmp_path / name, [(0, 0, 150)])
    days = [line.split("  1 ")[0].strip() for line in run("history", tmp_path).output.splitlines() if "accepted" in line]
    assert days == ["2026-05-01 lower", "2026-05-01 upper", "2026-05-02"]


def test_columns_about_predictions_are_there_only_where_one_was_made(tmp_path):
    write_day(tmp_path / "day", [(0, 0, 150)])
    told = run("history", tmp_path / "day").output
    assert "predicted" not in told
    assert "Gap" not in told
    assert "Diamonds" not in history_html(history_of([day_of(tmp_path / "day")], ()))
