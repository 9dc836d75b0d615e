"""A comparison from end to end: who belongs to whom, what is said about it, and what is written."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from apexfix.cli import main
from apexfix.compare.altimeter import ControlFlight
from apexfix.compare.answer import comparison
from apexfix.compare.page import comparison_html
from apexfix.compare.pairing import paired
from apexfix.compare.verdict import sentences
from apexfix.compare.words import comparison_document, comparison_text, notes
from apexfix.errors import ReductionError
from apexfix.model import DayResult, FlightResult, Site, Verdict

EXAMPLE = Path(__file__).parents[2] / "docs" / "example-day"
NOON_US = 1_777_630_800_000_000  # 2026-05-01T10:20:00Z


def control_flight(name="line 2", flight=None, seconds=None, clock_s=None, height_m=100.0, own_m=1.0, common_m=0.5, trouble=""):
    return ControlFlight(
        name, flight, None if seconds is None else NOON_US + round(seconds * 1e6), clock_s, height_m,
        None if trouble else height_m, {"noise": own_m}, {"air temperature": common_m}, None, trouble=trouble,
    )  # fmt: skip


def result(flight, height_m=100.0, sigma_m=1.0, verdict=Verdict.ACCEPTED, seconds=None):
    solved = verdict is not Verdict.UNSOLVED
    return FlightResult(
        flight=flight,
        verdict=verdict,
        reasons=(),
        position_m=np.array([0.0, 0.0, height_m]) if solved else None,
        covariance_m2=np.diag([1.0, 1.0, sigma_m**2]) if solved else None,
        interval95_m=(height_m - 2 * sigma_m, height_m + 2 * sigma_m) if solved else None,
        closure_percent=None,
        method="weighted least squares" if solved else "",
        methods={},
        budget_m={"pointing": sigma_m * 0.8, "unit zero": sigma_m * 0.6} if solved else {},
        utc_us=None if seconds is None else NOON_US + round(seconds * 1e6),
    )


def compare(pairs, site="Meadow"):
    """Return the comparison of (ground, altimeter) heights, each with a sigma of 1 m."""
    results = tuple(result(n, ground) for n, (ground, _) in enumerate(pairs, 1))
    controls = [control_flight(f"line {n + 1}", flight=n, height_m=height) for n, (_, height) in enumerate(pairs, 1)]
    pairing = paired(controls, {each.flight: None for each in results}, (), None)
    return comparison(DayResult(Site(site, ()), results), controls, pairing, ())


def day_of(*seconds):
    return {n: NOON_US + round(each * 1e6) for n, each in enumerate(seconds, 1)}


def numbers(pairing):
    return {n: flight for n, flight, _ in pairing.pairs}


# --- who belongs to whom --------------------------------------------------------------------------------------------


def test_a_number_of_a_flight_pairs_before_any_time():
    found = paired([control_flight(flight=2, seconds=0)], day_of(0, 300), (), None)
    assert numbers(found) == {0: 2}
    assert found.alone == (1,)


def test_a_number_that_the_day_does_not_have_and_one_that_stands_twice_are_told():
    controls = [control_flight("a", flight=9), control_flight("b", flight=1), control_flight("c", flight=1)]
    found = paired(controls, day_of(0), (), None)
    assert numbers(found) == {1: 1}
    assert dict(found.unpaired_controls)[0] == "the day has no flight 9"
    assert "twice" in dict(found.unpaired_controls)[2]


def test_times_pair_the_nearest_within_half_a_minute():
    controls = [control_flight(seconds=305), control_flight(seconds=-8), control_flight(seconds=700)]
    found = paired(controls, day_of(0, 300, 600), (), None)
    assert numbers(found) == {0: 2, 1: 1}
    assert "+-100" not in found.unpaired_controls[0][1]
    assert "flight 3 is nearest, -100 s away" in found.unpaired_controls[0][1]


def test_of_two_that_claim_one_flight_the_nearer_has_it():
    found = paired([control_flight(seconds=9), control_flight(seconds=2)], day_of(0), (), None)
    assert numbers(found) == {1: 1}
    assert len(found.unpaired_controls) == 1


def test_a_clock_that_is_an_hour_slow_is_found_by_the_pattern():
    controls = [control_flight(seconds=each - 3600) for each in (0, 290, 610, 880)]
    found = paired(controls, day_of(1, 291, 612, 881), (), None)
    assert numbers(found) == {0: 1, 1: 2, 2: 3, 3: 4}
    assert found.clock_offset_s == pytest.approx(3601, abs=1)
    assert all("pattern" in reason for _, _, reason in found.pairs)


def test_a_log_without_a_clock_is_placed_by_the_pattern_of_its_flights():
    controls = [control_flight(clock_s=each) for each in (40.0, 650.0)]  # flights 1 and 3 of the day
    assert numbers(paired(controls, day_of(0, 290, 610), (), None)) == {0: 1, 1: 3}


def test_a_pattern_that_fits_in_two_ways_pairs_nothing():
    controls = [control_flight(clock_s=each) for each in (40.0, 340.0)]  # flights every five minutes: 1 and 2, or 2 and 3
    found = paired(controls, day_of(0, 300, 600), (), None)
    assert numbers(found) == {}
    assert all("--flight" in reason for _, reason in found.unpaired_controls)


def test_a_stated_offset_goes_before_the_pattern():
    controls = [control_flight(seconds=each - 3600) for each in (0, 290)]
    found = paired(controls, day_of(0, 290, 580), (), 3600 + 290)
    assert numbers(found) == {0: 2, 1: 3}


def test_the_only_flight_of_both_needs_no_time():
    assert numbers(paired([control_flight()], {7: None}, (), None)) == {0: 7}


def test_two_flights_without_a_time_are_not_guessed():
    found = paired([control_flight(), control_flight()], {7: None, 8: None}, (), None)
    assert numbers(found) == {}
    assert all("--flight" in reason for _, reason in found.unpaired_controls)


def test_named_flights_must_be_as_many_as_the_file_has():
    assert numbers(paired([control_flight(), control_flight()], {7: None, 8: None}, (8, 7), None)) == {0: 8, 1: 7}
    with pytest.raises(ReductionError, match="1 number of flights given, 2 expected"):
        paired([control_flight(), control_flight()], {7: None, 8: None}, (8,), None)


# --- what is said ---------------------------------------------------------------------------------------------------


def test_one_flight_gives_a_test_and_no_statistics():
    told = compare([(101.0, 100.0)])
    assert (told.bias, told.limits, told.concordance, told.line) == (None, None, None, None)
    assert told.fit.freedom == 1
    # ground 1.0, altimeter 1.118 (1.0 and 0.5): E_n = 1 / (2 * 1.5)
    assert told.compared[0].normalised_error == pytest.approx(1 / (2 * np.hypot(1.0, np.hypot(1.0, 0.5))))
    assert any("One flight" in sentence for sentence in sentences(told))


def test_two_flights_give_a_bias_and_no_limits():
    told = compare([(101.0, 100.0), (152.0, 150.0)])
    assert told.bias.mean == pytest.approx(1.5)
    assert told.limits is None
    assert any("no limits" in sentence for sentence in sentences(told))


def test_few_flights_are_called_few_and_many_are_not():
    few = [(h + d, h) for h, d in zip((90, 120, 150, 180), (0.5, -0.7, 1.0, -0.4), strict=True)]
    many = [(h + 0.5 * (-1) ** h, float(h)) for h in range(90, 210, 8)]
    assert any("are few" in sentence for sentence in sentences(compare(few)))
    assert not any("are few" in sentence for sentence in sentences(compare(many)))


def test_heights_within_their_uncertainties_agree_and_what_would_settle_more_is_named():
    said = sentences(compare([(101.0, 100.0), (149.0, 150.0), (200.5, 200.0)]))
    assert said[0].startswith("Yes")
    assert any("unnoticed" in sentence for sentence in said)
    assert any("survey the stations" in sentence for sentence in said)  # 0.6 m common on the ground, 0.5 m in the air


def test_a_common_shift_is_told_as_one_and_explained():
    said = " ".join(sentences(compare([(106.0, 100.0), (156.5, 150.0), (205.8, 200.0)])))
    assert said.startswith("No")
    assert "higher from the ground by about 6" in said
    assert "one cause common to the day" in said
    assert "+4" in said  # per cent of the altimeter's


def test_one_flight_that_stands_out_is_named():
    said = sentences(compare([(100.2, 100.0), (139.5, 150.0), (200.3, 200.0), (120.1, 120.0), (80.2, 80.0)]))[0]
    assert said.startswith("No")
    assert "flight 2 stands out by -10.5 m" in said


def test_heights_from_the_ground_that_are_rejected_are_left_out_and_named():
    results = (result(1), result(2, verdict=Verdict.REJECTED), result(3, verdict=Verdict.UNSOLVED))
    controls = [control_flight(f"line {n}", flight=n) for n in (1, 2, 3)]
    told = comparison(DayResult(Site("s", ()), results), controls, paired(controls, {1: None, 2: None, 3: None}, (), None), ())
    assert [row.flight for row in told.compared] == [1]
    assert [reason for _, reason in told.left_out] == [f"the height from the ground is {word}" for word in ("rejected", "unsolved")]


def test_flights_of_one_height_have_no_line_and_still_a_bias():
    told = compare([(100.0, 100.0), (101.0, 100.0), (99.5, 100.0), (100.5, 100.0)])
    assert (told.line, told.concordance) == (None, None)
    assert told.bias is not None
    json.dumps(comparison_document(told), allow_nan=False)


def test_nothing_in_common_is_said_and_not_hidden():
    told = comparison(DayResult(Site("s", ()), (result(1),)), [], paired([], {1: None}, (), None), ())
    assert "nothing to compare" in sentences(told)[0]
    assert "without a control: flight 1" in comparison_text(told)


def test_what_is_to_say_about_several_flights_is_said_once():
    told = compare([(101.0, 100.0), (150.0, 149.0), (120.0, 121.0)])
    remarks = (("warm", "only here"), ("warm", "twice"), ("warm", "twice"))
    rows = [replace(row, control=replace(row.control, remarks=said)) for row, said in zip(told.compared, remarks, strict=True)]
    said = list(notes(replace(told, compared=tuple(rows))))[3:]
    assert said == ["every flight: warm", "flight 1: only here", "flights 2, 3: twice"]


def test_no_line_of_the_answer_is_longer_than_a_hundred_letters():
    text = comparison_text(compare([(101.0, 100.0), (150.0, 149.0), (120.0, 121.0), (90.0, 88.0)]))
    assert max(map(len, text.splitlines())) <= 100


def test_a_hostile_name_stays_text_on_the_page():
    page = comparison_html(compare([(101.0, 100.0), (150.0, 149.0)], site="<script>alert(1)</script>"))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_the_page_asks_for_nothing_from_elsewhere():
    page = comparison_html(compare([(101.0, 100.0), (150.0, 149.0)]))
    assert "http" not in page.replace("http-equiv", "")


# --- the command ----------------------------------------------------------------------------------------------------


@pytest.fixture
def day(tmp_path):
    for name in ("site.toml", "sightings.csv", "altimeter.csv"):
        (tmp_path / name).write_text((EXAMPLE / name).read_text())
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments], catch_exceptions=False)


def test_the_example_day_agrees_with_its_invented_altimeter(day):
    done = run("compare", day, day / "altimeter.csv", "--json")
    told = json.loads(done.stdout)
    assert done.exit_code == 0
    assert [flight["flight"] for flight in told["flights"]] == [1, 2, 3, 4]
    assert told["consistency"]["probability"] > 0.05
    # the truth of the example, told in the head of its sightings: 142, 214, 96, 268 m
    for flight, truth_m in zip(told["flights"], (142, 214, 96, 268), strict=True):
        assert flight["control_m"] == pytest.approx(truth_m, abs=1.5)


def test_every_number_of_the_table_is_that_of_the_document_and_of_the_rows(day):
    told = json.loads(run("compare", day, day / "altimeter.csv", "--json").stdout)
    with open(day / "report" / "comparison.csv", newline="") as rows:
        written = list(csv.DictReader(rows))
    page = (day / "report" / "comparison.html").read_text()
    for flight, row in zip(told["flights"], written, strict=True):
        assert float(row["difference_m"]) == flight["difference_m"]
        assert f"{flight['difference_m']:+.1f} m" in page
    assert f"{told['bias']['mean_m']:+.2f} m" in page


def test_a_flight_that_is_left_out_ends_with_one_and_nothing_with_five(day):
    control = day / "control.csv"
    control.write_text("flight,apogee_m\n1,140\n9,100\n")
    assert run("compare", day, control).exit_code == 1
    control.write_text("flight,apogee_m\n9,100\n")
    assert run("compare", day, control).exit_code == 5
    control.write_text("flight,apogee_m\n1,14o\n")
    wrong = run("compare", day, control)
    assert wrong.exit_code == 4
    assert "control.csv, line 2, apogee_m" in wrong.stderr


def test_what_is_said_beside_the_file_is_used(day):
    control = day / "control.csv"
    control.write_text("apogee_m\n137\n")
    plain = json.loads(run("compare", day, control, "--flight", 1, "--json").stdout)["flights"][0]
    warm = json.loads(run("compare", day, control, "--flight", 1, "--temperature", 35, "--json").stdout)["flights"][0]
    corrected = json.loads(run("compare", day, control, "--flight", 1, "--corrected", "--json").stdout)["flights"][0]
    assert corrected["control_m"] == 137
    assert warm["control_m"] > plain["control_m"] + 5
    moist = run("compare", day, control, "--flight", 1, "--humidity", 90, "--pressure", 950, "--clock-offset", 0, "--json")
    assert json.loads(moist.stdout)["flights"][0]["control"]["budget_m"]["pressure at the pad"] == 0


def test_a_height_of_the_ground_keeps_its_common_part(day):
    row = compare([(101.0, 100.0)]).compared[0]
    assert row.ground_common_m == pytest.approx(0.6)
    assert replace(row, flight=2).ground_common_m == row.ground_common_m


def test_what_is_common_to_all_flights_has_no_part_in_the_error_ratio_of_the_line():
    line = compare([(101.0, 100.0), (119.0, 120.0), (141.0, 140.0)]).line
    # the ground's own 0.8 m of 1 m, the altimeter's own 1 m beside 0.5 m that its thermometer does to all flights
    assert line.error_ratio == pytest.approx(0.8**2 / 1.0**2)


def test_every_option_stands_on_the_page(root):
    page = (root / "docs" / "compare.md").read_text(encoding="utf-8")
    command = main.get_command(None, "compare")
    assert all(option in page for parameter in command.params for option in parameter.opts if option.startswith("--"))


def test_where_nothing_was_compared_there_is_no_legend_of_a_table_and_no_empty_statistics():
    results = (result(1),)
    pairing = paired([control_flight("line 2", flight=9)], {1: None}, (), None)
    text = comparison_text(comparison(DayResult(Site("Meadow", ()), results), [control_flight("line 2", flight=9)], pairing, ()))
    assert "\n\n\n" not in text
    assert "±" not in text
    assert "the day has no flight 9" in text
