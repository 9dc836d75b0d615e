"""The day as words and figures for the page."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from apexfix.align import Mark, Placed
from apexfix.decisions import Decision
from apexfix.desk.board import board_of, marks_of
from apexfix.model import DayResult, Exclusion, FlightResult, Sighting, Site, Verdict
from apexfix.report.rounding import PLAIN, Manner

UTC_US = 1_777_630_830_540_000  # 2026-05-01 10:20:30.54


def flight(number, verdict=Verdict.ACCEPTED, at_s=None, height_m=100.0):
    known = height_m is not None
    at_us = UTC_US + round((number if at_s is None else at_s) * 60e6)
    return FlightResult(
        flight=number, verdict=verdict, reasons=("because",),
        position_m=np.array([1.0, 2.0, height_m]) if known else None,
        covariance_m2=np.eye(3) * 1.44 if known else None,
        interval95_m=(height_m - 2.5, height_m + 2.4) if known else None,
        closure_percent=None, method="", methods={}, excluded=(Exclusion("A", "azimuth", "too far off"),),
        sightings=(Sighting(number, "A", at_us, None, 0.7),),
    )  # fmt: skip


def board(*flights, manner=PLAIN):
    return board_of(DayResult(Site("Meadow", ()), flights, ("a remark",)), (), manner)


def mark(name, flight=1, at_s=60.0, ambiguous=True, clocked=True):
    utc_us = UTC_US + round(at_s * 1e6)
    pressed = Mark(name, name, "A", "boot", "log", 1, 5, utc_us if clocked else None, 0.1, 1)
    return Placed(pressed, flight, flight is not None, "why", 1.5 if ambiguous else inf, ambiguous, False, clocked)


def test_the_newest_flight_comes_first_by_its_time_not_its_number():
    assert [row.number for row in board(flight(1, at_s=9), flight(2, at_s=3), flight(3, at_s=6)).flights] == [1, 3, 2]


def test_the_headline_is_the_newest_height_with_the_digits_that_its_sigma_leaves():
    newest = board(flight(1), flight(2, height_m=142.26)).headline
    assert (newest.number, newest.height, newest.low_high, newest.unit) == (2, "142.3", "139.8–144.7", "m")
    assert newest.verdict == "accepted"


def test_a_flight_without_a_height_leaves_the_headline_to_the_one_before():
    shown = board(flight(1), flight(2, Verdict.UNSOLVED, height_m=None))
    assert shown.headline.number == 1
    assert shown.flights[0].height == "-"


def test_a_rejected_height_is_not_shown_large():
    newest = board(flight(1), flight(2, Verdict.REJECTED)).headline
    assert (newest.number, newest.height, newest.low_high, newest.verdict) == (2, "", "", "rejected")
    assert "Do not use" in newest.sentence


def test_no_flight_has_no_headline():
    assert board().headline is None


def test_figures_are_in_feet_and_in_the_hour_of_the_place_where_asked():
    shown = board(flight(0, height_m=30.48), manner=Manner(feet=True, timezone="Europe/Berlin"))
    assert (shown.headline.height, shown.headline.unit) == ("100.0", "ft")  # 0.3048 m, by definition
    assert shown.flights[0].when == "12:20:30.5 CEST"


def test_a_row_tells_what_was_not_used_and_why():
    assert board(flight(1)).flights[0].reasons == ("because", "not used: azimuth of A: too far off")


def test_a_mark_in_doubt_offers_the_four_nearest_flights_by_number_its_own_among_them_and_none():
    places = [mark(f"m{n}", n, 60.0 * n, ambiguous=False) for n in range(1, 10)]
    shown = marks_of([*places, mark("x", 1, 60.0 * 7)], (), PLAIN)[0]
    assert [choice.verdict for choice in shown.choices] == ["1", "6", "7", "8", "-"]


@pytest.mark.parametrize(("clocked", "told"), [(True, "10:21:30.5 UTC"), (False, "unknown")])
def test_the_hour_of_a_mark_is_told_where_it_is_known(clocked, told):
    assert marks_of([mark("x", clocked=clocked)], (), PLAIN)[0].when == told


def test_what_is_in_doubt_comes_before_what_is_settled_and_that_the_latest_first():
    places = [mark("a"), replace(mark("b"), by_hand=True, ambiguous=False), mark("c", None), replace(mark("d"), by_hand=True)]
    lines = [
        Decision(1, "b", 1, "first"),
        Decision(2, "d", "-", "second"),
        Decision(3, "a", 1, ""),
        Decision(4, "a", "", ""),
        Decision(5, "z", 1, ""),
    ]
    assert [(card.name, card.settled, card.note) for card in marks_of(places, lines, PLAIN)] == [
        ("a", False, ""),
        ("c", False, ""),
        ("d", True, "second"),
        ("b", True, "first"),
    ]


def test_a_mark_that_was_settled_twice_shows_the_last_decision():
    cards = marks_of([mark("a", ambiguous=False)], [Decision(1, "a", 1, "no"), Decision(2, "a", 2, "yes")], PLAIN)
    assert [(card.note, card.choices) for card in cards] == [("yes", ())]
