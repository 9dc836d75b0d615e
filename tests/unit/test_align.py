"""Marks to flights: one assignment over the day."""

import numpy as np
import pytest

from apexfix.align import Mark, align
from apexfix.units import SECOND_US


def mark(station, seconds, counter=None, *, clocked=True, boot=None):
    boot = boot or f"unit {station}, boot 1"
    return Mark(
        key=f"{station}{seconds}{boot}",
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
    found = align([mark(s, t) for s in "ABC" for t in (100, 160)] + [mark("A", 130)]).matches
    assert [sorted(m.marks) for m in found] == [["A", "B", "C"], ["A"], ["A", "B", "C"]]


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
    assert "check these marks" in align(marks).remarks[0]


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
    assert "the hour of its flights is unknown" in aligned.remarks[0]


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
def test_every_mark_ends_in_exactly_one_place(seed):
    rng = np.random.default_rng(seed)
    marks = [
        mark(s, round(float(t), 3), int(rng.integers(1, 9)), clocked=bool(rng.random() < 0.8), boot=f"{s} boot {rng.integers(2)}")
        for s in "ABCD"
        for t in rng.uniform(0, 600, 8)
    ]
    found = align(marks).matches
    assert sum(len(m.marks) + len(m.set_aside) for m in found) == len(marks)
    assert len({m.key for match in found for m in match.marks.values()}) == sum(len(m.marks) for m in found)
