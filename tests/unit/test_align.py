"""Marks to flights: one assignment over the day."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apexfix.align import Mark, align
from apexfix.units import SECOND_US

_spec = importlib.util.spec_from_file_location("matching", Path(__file__).parents[2] / "bench" / "matching.py")
matching = importlib.util.module_from_spec(_spec)
sys.modules["matching"] = matching  # its dataclasses look their module up
_spec.loader.exec_module(matching)


def mark(station, seconds, counter=None, *, clocked=True, boot=None):
    boot = boot or f"unit {station}, boot 1"
    return Mark(
        key=f"{station}{seconds}{boot}",
        name=f"{station}-{seconds}",
        log=f"log of {station}",
        sequence=round(1000 * seconds) + (10**9 if clocked else 0),
        station=station,
        boot=boot,
        t_us=round(seconds * SECOND_US),
        utc_us=round(seconds * SECOND_US) if clocked else None,
        sigma_s=0.01,
        counter=counter,
    )


def times(match):
    return {station: m.t_us / SECOND_US for station, m in match.marks.items()}


def test_marks_a_second_apart_are_one_flight_and_minutes_apart_are_two():
    found = align([mark("A", 100), mark("B", 100.8), mark("A", 400), mark("B", 399.5)]).matches
    assert [times(m) for m in found] == [{"A": 100, "B": 100.8}, {"A": 400, "B": 399.5}]
    assert [m.number for m in found] == [1, 2]


def test_two_flights_twenty_seconds_apart_stay_two():
    found = align([mark(s, t + d) for s, d in (("A", 0), ("B", 0.7), ("C", -0.4)) for t in (50, 70)]).matches
    assert [sorted(m.marks) for m in found] == [["A", "B", "C"]] * 2


def test_of_a_double_press_the_one_near_the_others_counts_and_the_other_is_named():
    (found,) = align([mark("A", 10.0), mark("A", 13.5), mark("B", 10.3), mark("C", 9.8)]).matches
    assert times(found)["A"] == 10.0
    assert [(e.station, e.quantity) for e in found.set_aside] == [("A", "mark")]
    assert "3.5 s after" in found.set_aside[0].reason


def test_a_press_by_mistake_between_flights_does_not_pull_two_flights_together():
    aligned = align([mark(s, t) for s in "ABC" for t in (100, 160)] + [mark("A", 130)])
    assert [sorted(m.marks) for m in aligned.matches] == [["A", "B", "C"]] * 2
    assert [m.number for m in aligned.matches] == [1, 2]
    (stray,) = [place for place in aligned.places if place.flight is None]
    assert (stray.mark.name, stray.kept) == ("A-130", False)
    assert "pressed by mistake" in stray.reason
    assert "mark A-130 of station A is in no flight" in " ".join(aligned.remarks)


def test_with_two_stations_a_mark_alone_stays_a_flight_and_is_flagged():
    aligned = align([mark(s, t) for s in "AB" for t in (100, 700)] + [mark("A", 400)])
    assert [sorted(m.marks) for m in aligned.matches] == [["A", "B"], ["A"], ["A", "B"]]
    assert [place.mark.name for place in aligned.places if place.ambiguous] == ["A-400"]


def test_when_the_other_station_counted_a_flight_that_it_missed_the_lone_mark_is_that_flight():
    marks = [mark("A", t, n) for n, t in enumerate((100, 400, 700, 1000), 1)]
    marks += [mark("B", t, n) for n, t in ((1, 100.2), (2, 400.1), (4, 1000.3))]
    marks += [mark("C", t, n) for n, t in ((1, 99.8), (2, 400.4), (4, 999.9))]
    assert [m.number for m in align(marks).matches] == [1, 2, 3, 4]


def test_a_backsight_between_two_presses_that_are_near_speaks_against_a_double():
    two = align([mark("A", 100, 1), mark("A", 108, 2), mark("B", 100.2, 1), mark("B", 108.1, 2)]).matches
    assert [sorted(m.marks) for m in two] == [["A", "B"]] * 2


def test_a_mark_eight_seconds_late_is_kept_and_flagged():
    aligned = align([mark(s, t) for s in "ABC" for t in (100, 700)] + [mark("D", 100), mark("D", 708)])
    assert sorted(aligned.matches[1].marks) == ["A", "B", "C", "D"]
    assert [place.mark.name for place in aligned.places if place.ambiguous] == ["D-708"]
    assert "station D pressed 8.0 s after the others" in aligned.matches[1].remarks[0]


def test_clocks_that_are_known_to_seconds_only_still_match():
    rough = [replace(mark("C", t + 2.5), sigma_s=2.0) for t in (100, 400, 700)]
    found = align([mark(s, t) for s in "AB" for t in (100, 400, 700)] + rough).matches
    assert [sorted(m.marks) for m in found] == [["A", "B", "C"]] * 3


def test_a_boot_lies_between_the_marks_that_its_log_holds_before_and_after_it():
    others = [mark(s, t) for s in "BC" for t in (100, 400, 700, 1000)]
    own = [mark("A", 100), mark("A", 1000)]
    lost = [replace(mark("A", t, clocked=False, boot="A, boot 2"), sequence=own[0].sequence + n) for n, t in ((1, 5), (2, 305))]
    found = align(others + own + lost).matches
    assert ["A" in m.marks for m in found] == [True] * 4
    assert [m.marks["A"].boot for m in found[1:3]] == ["A, boot 2"] * 2


def test_time_outvotes_a_counter_that_is_off_by_one():
    marks = [mark("A", t, n) for n, t in enumerate((100, 400, 700), 1)]
    marks += [mark("B", t + 0.4, n) for n, t in enumerate((100, 400, 700), 1)]
    marks += [mark("C", t - 0.2, n + 1) for n, t in enumerate((100, 400, 700), 1)]
    found = align(marks).matches
    assert [m.number for m in found] == [1, 2, 3]
    assert ["counted this as its flight 2" in " ".join(m.remarks) for m in found] == [True, False, False]  # told once


def test_a_missed_flight_leaves_a_gap_in_the_numbers_that_the_counters_know():
    found = align([mark("A", 100, 1), mark("B", 100, 1), mark("A", 700, 3), mark("B", 701, 3)]).matches
    assert [m.number for m in found] == [1, 3]


def test_a_boot_without_a_clock_is_placed_by_the_marks_it_shares():
    marks = [mark(s, t) for s in "AB" for t in (100, 400, 630, 1000)]
    marks += [mark("C", t - 77.0, clocked=False) for t in (400.3, 629.8, 1000.1)]
    aligned = align(marks)
    assert [sorted(m.marks) for m in aligned.matches] == [["A", "B"]] + [["A", "B", "C"]] * 3
    assert "never compared its clock" in aligned.remarks[0]


def test_an_ambiguous_boot_says_so():
    marks = [mark(s, t) for s in "AB" for t in (100, 400, 700)] + [mark("C", 5.0, clocked=False)]
    aligned = align(marks)
    assert [place.mark.station for place in aligned.places if place.ambiguous] == ["C"]
    assert "1 of 7 marks may belong elsewhere" in aligned.remarks[-1]


def test_a_counter_settles_where_a_boot_with_one_mark_belongs():
    marks = [mark(s, t, n) for s in "AB" for n, t in enumerate((100, 400, 700), 1)] + [mark("C", 5.0, 2, clocked=False)]
    assert "C" in align(marks).matches[1].marks


def test_units_switched_off_before_the_evening_are_matched_by_the_pattern_of_their_marks():
    marks = [mark("A", t, clocked=False) for t in (100, 430, 690)]
    marks += [mark("B", t + 55.3, clocked=False) for t in (100.4, 430, 689.5)]
    marks += [mark("C", t - 31.0, clocked=False) for t in (430.2, 690.3)]
    aligned = align(marks)
    assert [sorted(m.marks) for m in aligned.matches] == [["A", "B"], ["A", "B", "C"], ["A", "B", "C"]]
    assert [m.utc_us for m in aligned.matches] == [None] * 3
    assert "the hour is unknown" in aligned.remarks[0]


def test_records_of_an_earlier_day_do_not_mix_with_those_of_today():
    today = [mark(s, 10_000 + t, n) for s in "AB" for n, t in enumerate((0, 300, 700), 7)]
    old = [mark(s, t, n, clocked=False, boot=f"unit {s}, boot 0") for s in "AB" for n, t in enumerate((50, 490, 1000, 1333), 1)]
    found = align(today + old).matches
    assert [m.number for m in found] == [1, 2, 3, 4, 7, 8, 9]
    assert [m.utc_us is None for m in found] == [True] * 4 + [False] * 3
    assert all(sorted(m.marks) == ["A", "B"] for m in found)


def test_no_marks_give_no_flights():
    assert align([]).matches == ()


@pytest.mark.parametrize("seed", range(20))
def test_a_second_press_with_the_same_number_is_set_aside_whatever_else_happens(seed):
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(200, 900, 5))
    marks = [mark(s, round(float(t + rng.normal(0, 0.3)), 3), n) for s in "ABC" for n, t in enumerate(times, 1)]
    again = mark("B", round(float(times[2] + 4.0), 3), 3)
    (aside,) = [place for place in align([*marks, again]).places if not place.kept]
    assert (aside.mark, aside.flight) == (again, 3)


# --- what a person settled ------------------------------------------------------------------------------------------


def settled_day():
    return [mark(s, t) for s in "AB" for t in (100, 400, 700)] + [mark("A", 403.0), mark("A", 550)]


def places(settled):
    return {place.mark.name: place for place in align(settled_day(), settled).places}


def test_a_settled_mark_moves_alone_and_displaces_its_stations_other_one():
    before, after = places({}), places({"A-403.0": 2})
    assert (before["A-400"].kept, before["A-403.0"].kept) == (True, False)
    assert (after["A-400"].kept, after["A-403.0"].kept) == (False, True)
    assert after["A-403.0"].by_hand
    assert "a person gave it to flight 2" in after["A-403.0"].reason
    assert {n: p for n, p in before.items() if n[2:] not in ("400", "403.0")} == {
        n: p for n, p in after.items() if n[2:] not in ("400", "403.0")
    }


def test_setting_a_mark_aside_lets_the_double_stand_in():
    after = places({"A-400": None})
    assert (after["A-400"].flight, after["A-400"].kept) == (None, False)
    assert (after["A-403.0"].flight, after["A-403.0"].kept) == (2, True)


def test_a_settled_mark_may_open_a_flight_of_its_own():
    aligned = align(settled_day(), {"A-550": 99})
    assert [(m.number, sorted(m.marks)) for m in aligned.matches][-1] == (99, ["A"])


def test_a_settled_name_that_no_mark_bears_is_told():
    assert "X-9" in " ".join(align(settled_day(), {"X-9": 3}).remarks)


def test_settling_one_mark_lays_its_whole_boot():
    line = [mark(s, t) for s in "AB" for t in (100, 400, 700, 1000)]
    lost = [mark("C", t, clocked=False) for t in (5, 305)]
    for flight in (1, 2, 3):
        found = align(line + lost, {"C-5": flight}).matches
        assert [m.number for m in found if "C" in m.marks] == [flight, flight + 1]


# --- what holds for any day -----------------------------------------------------------------------------------------


@st.composite
def days(draw):
    """Marks of up to four stations at times that all differ, some in boots without a clock."""
    count = draw(st.integers(0, 14))
    tenths = draw(st.lists(st.integers(0, 9000), min_size=count, max_size=count, unique=True))
    marks = []
    for at in sorted(tenths):
        station = draw(st.sampled_from("ABCD"))
        clocked = draw(st.booleans()) or draw(st.booleans())
        made = mark(station, at / 10, draw(st.none() | st.integers(1, 6)), clocked=clocked, boot=f"{station} {clocked}")
        marks.append(made)
    return marks


def described(aligned):
    return {p.mark.key: (p.flight, p.kept, p.reason, round(min(p.margin, 1e6), 6), p.ambiguous) for p in aligned.places}


@settings(deadline=None)
@given(days())
def test_every_mark_ends_in_exactly_one_place(marks):
    aligned = align(marks)
    assert sorted(p.mark.key for p in aligned.places) == sorted(m.key for m in marks)
    in_flights = [m.key for match in aligned.matches for m in match.marks.values()]
    assert sorted(in_flights) == sorted(p.mark.key for p in aligned.places if p.kept)
    assert sum(len(match.set_aside) for match in aligned.matches) == sum(
        not p.kept and p.flight is not None for p in aligned.places
    )
    assert all(p.reason and p.margin >= 0 for p in aligned.places)


@settings(deadline=None)
@given(days(), st.randoms())
def test_the_order_of_the_input_changes_nothing(marks, random):
    shuffled = list(marks)
    random.shuffle(shuffled)
    assert described(align(shuffled)) == described(align(marks))


@settings(deadline=None)
@given(days())
def test_the_names_of_the_stations_change_nothing(marks):
    new = {"A": "Z", "B": "Y", "C": "X", "D": "W"}
    before, after = align(marks), align([replace(m, station=new[m.station]) for m in marks])
    assert {k: v[:2] + v[3:] for k, v in described(before).items()} == {k: v[:2] + v[3:] for k, v in described(after).items()}


@settings(deadline=None)
@given(days(), st.integers(0, 10**15))
def test_a_constant_added_to_all_times_changes_nothing(marks, later_us):
    moved = [replace(m, utc_us=None if m.utc_us is None else m.utc_us + later_us, t_us=m.t_us) for m in marks]
    assert described(align(moved)) == described(align(marks))


@settings(deadline=None)
@given(days(), st.data())
def test_what_a_person_settled_is_honoured_and_undone_without_a_trace(marks, data):
    names = [m.name for m in marks]
    settled = data.draw(st.dictionaries(st.sampled_from(names), st.none() | st.integers(1, 9), max_size=3)) if names else {}
    aligned = align(marks, settled)
    assert sorted(p.mark.key for p in aligned.places) == sorted(m.key for m in marks)
    for place in aligned.places:
        if place.mark.name in settled:
            assert place.flight == settled[place.mark.name]
            assert place.by_hand
    assert all(len({m.station for m in match.marks.values()}) == len(match.marks) for match in aligned.matches)


def test_a_hundred_days_with_all_mishaps_are_matched():
    # the full campaign, 2 000 days, is bench/matching.py
    rows = [row for seed in range(1, 101) for row in matching.judged_day(seed)]
    count, right, silent, _, _ = matching.summary(rows)
    assert count > 2000
    assert right >= 1 - matching.MARGIN_WRONG
    assert silent <= matching.MARGIN_SILENT
