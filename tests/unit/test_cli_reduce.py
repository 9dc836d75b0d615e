"""The commands reduce and report: exit codes, what goes to which stream, what is written."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from apexfix.cli import main

EXAMPLE = Path(__file__).parents[2] / "docs" / "example-day"
TRUTH_M = {1: 142.0, 2: 214.0, 3: 96.0, 4: 268.0}  # told in the head of the example's sightings.csv


@pytest.fixture
def day(tmp_path):
    for name in ("site.toml", "sightings.csv"):
        (tmp_path / name).write_text((EXAMPLE / name).read_text())
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments], catch_exceptions=False)


def edit(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def test_the_example_day_is_solved_and_its_invented_truth_lies_in_every_interval(day):
    result = run("reduce", day, "--json")
    flights = json.loads(result.stdout)["flights"]
    assert (result.exit_code, result.stderr) == (0, "")
    assert [flight["flight"] for flight in flights] == list(TRUTH_M)
    for flight in flights:
        low, high = flight["interval95_m"]
        assert low < TRUTH_M[flight["flight"]] < high


def test_the_example_says_that_it_is_invented():
    assert all("nvented" in (EXAMPLE / name).read_text() for name in ("site.toml", "sightings.csv"))


def test_without_json_a_table_is_printed(day):
    result = run("reduce", day)
    assert result.exit_code == 0
    assert "verdict" in result.stdout
    assert "East, South" in result.stdout


def test_a_flight_that_cannot_be_solved_is_told_and_ends_with_one(day):
    edit(day / "sightings.csv", "2,South", "9,South")
    result = run("reduce", day, "--json")
    flights = {flight["flight"]: flight for flight in json.loads(result.stdout)["flights"]}
    assert result.exit_code == 1
    assert flights[2]["verdict"] == flights[9]["verdict"] == "unsolved"
    assert flights[2]["reasons"]
    assert flights[2]["height_m"] is None


def test_a_corrected_reading_is_listed_as_not_used(day):
    edit(day / "sightings.csv", "1,South", "1,South,,9.5,24.0,,,a slip of the pen\n1,South")
    (first, *_) = json.loads(run("reduce", day, "--json").stdout)["flights"]
    assert [(each["station"], each["quantity"]) for each in first["excluded"]] == [("South", "sighting")]


@pytest.mark.parametrize("rule", ["mean", "each", "gap"])
def test_every_closure_rule_is_taken(day, rule):
    assert run("reduce", day, "--closure-rule", rule).exit_code == 0


def test_closure_rules_differ(day):
    answers = [json.loads(run("reduce", day, "--json", "--closure-rule", rule).stdout) for rule in ("mean", "each", "gap")]
    assert len({answer["flights"][1]["closure_percent"] for answer in answers}) == 3


@pytest.mark.parametrize(
    ("name", "old", "new", "place"),
    [
        ("site.toml", "north_m = -140.0", 'north_m = "-140"', "line 20, north_m: "),
        ("sightings.csv", "1,South,,9.5", "1,South,,north", "line 5, azimuth_deg: "),
        ("site.toml", "format = 1", "format = ", "line 2, format: "),
    ],
)
@pytest.mark.parametrize("command", [["reduce"], ["reduce", "--json"], ["report"]])
def test_a_wrong_file_ends_with_four_and_its_place_on_stderr_alone(day, command, name, old, new, place):
    edit(day / name, old, new)
    result = run(*command, day)
    assert (result.exit_code, result.stdout) == (4, "")
    assert f"{name}, {place}" in result.stderr
    assert "expected" in result.stderr
    assert not (day / "report").exists()


def test_a_folder_without_a_site_ends_with_four(tmp_path):
    result = run("reduce", tmp_path / "nowhere")
    assert (result.exit_code, result.stdout) == (4, "")
    assert "site.toml: there is no such file" in result.stderr


@pytest.mark.parametrize("missing", [True, False])
def test_a_day_without_any_sighting_ends_with_five(day, missing):
    if missing:
        (day / "sightings.csv").unlink()
    else:
        (day / "sightings.csv").write_text("flight,station,elevation_deg\n")
    result = run("reduce", day, "--json")
    assert (result.exit_code, result.stdout) == (5, "")
    assert "no sighting of any flight" in result.stderr


def test_the_report_names_its_file_and_agrees_with_reduce(day):
    result = run("report", day)
    assert (result.exit_code, result.stdout.strip()) == (0, str(day / "report" / "report.html"))
    written = {path.name for path in (day / "report").iterdir()}
    tables = {"readings", "residuals", "methods", "budget", "excluded", "tracks", "units", "clocks"}
    assert written == {"report.html", "results.csv", "results.json", "sightings.csv", *(f"{name}.csv" for name in tables)}
    assert json.loads((day / "report" / "results.json").read_text()) == json.loads(run("reduce", day, "--json").stdout)


def test_the_readings_that_the_report_exports_reduce_to_the_same_answers(day):
    before = json.loads(run("reduce", day, "--json").stdout)
    run("report", day)
    (day / "sightings.csv").write_text((day / "report" / "sightings.csv").read_text())
    after = json.loads(run("reduce", day, "--json").stdout)
    for one, other in zip(before["flights"], after["flights"], strict=True):
        assert other["height_m"] == pytest.approx(one["height_m"], abs=1e-6)


def test_a_report_of_a_day_with_an_unsolved_flight_is_written_and_ends_with_one(day):
    edit(day / "sightings.csv", "2,South", "9,South")
    result = run("report", day)
    assert result.exit_code == 1
    assert "unsolved" in (day / "report" / "report.html").read_text()
