"""From evidence to a word and sentences."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.model import Verdict
from apexfix.reduce.at_apex import OffTrack, ZeroCheck
from apexfix.reduce.closure import ClosureRule, SportingVerdict
from apexfix.reduce.verdict import Evidence, TrackChecks, judge, judge_tracks

CLOSES = SportingVerdict(True, 200, 3.0, ClosureRule.MEAN)
OPEN = SportingVerdict(False, 200, 14.0, ClosureRule.MEAN)
SOUND = Evidence(
    height_m=200.0,
    sigma_m=2.0,
    interval_m=(196.0, 204.0),
    interval_closed=True,
    cost=2.5,
    redundancy=3,
    probability=0.47,
    drift_m=20.0,
    prior_share=0.0,
    sporting=CLOSES,
    closure_limit_percent=10.0,
    excluded=0,
    ambiguous=False,
)


def test_agreeing_readings_that_close_are_accepted_and_both_judges_are_quoted():
    verdict, reasons = judge(SOUND)
    assert verdict is Verdict.ACCEPTED
    assert "agree" in reasons[0]
    assert "sporting rule: closes at 200 m" in reasons[1]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"probability": 0.005}, "disagree"),
        ({"sporting": OPEN}, "does not close (14.0 %"),
        ({"redundancy": 0}, "nothing checks them"),
        ({"prior_share": 0.4}, "40 % of the height's variance"),
        ({"interval_m": (140.0, 270.0)}, "known only to 140 .. 270 m"),
        ({"interval_closed": False}, "does not end"),
        ({"drift_m": 230.0}, "230 m from the pad"),
        ({"excluded": 1, "ambiguous": True}, "covers both"),
    ],
)
def test_each_weakness_makes_a_height_doubtful_and_is_said_first(change, word):
    verdict, reasons = judge(replace(SOUND, **change))
    assert verdict is Verdict.DOUBTFUL
    assert word in reasons[0]


def test_readings_that_neither_agree_nor_close_are_rejected():
    verdict, reasons = judge(replace(SOUND, probability=1e-6, sporting=OPEN))
    assert verdict is Verdict.REJECTED
    assert "disagree" in reasons[0]


def test_readings_that_close_although_their_sigmas_are_too_small_are_doubtful():
    assert judge(replace(SOUND, probability=1e-6))[0] is Verdict.DOUBTFUL


def test_an_apex_below_the_pad_is_rejected():
    assert judge(replace(SOUND, height_m=-12.0, interval_m=(-14, -10)))[0] is Verdict.REJECTED


def test_a_reading_left_out_for_a_clear_reason_does_not_make_the_rest_doubtful():
    verdict, reasons = judge(replace(SOUND, excluded=1))
    assert verdict is Verdict.ACCEPTED
    assert any("1 reading was left out" in reason for reason in reasons)


def test_remarks_come_last():
    assert judge(SOUND, ["a remark"])[1][-1] == "a remark"


# --- an arc through tracks ------------------------------------------------------------------------------------------

AS_BELIEVED = ZeroCheck("B", "elevation", 0.004, 1.2, 0.7, nameable=True, widening=1.0)
CHECKS = TrackChecks(zeros=AS_BELIEVED, off=None, pressed=SOUND, carried=SOUND, late_s={"A": -0.2, "B": 1.3})
APART = replace(SOUND, cost=20.8, redundancy=1, probability=5e-6)


def wrong_zero(probability=0.004, nameable=True, widening=1.0):
    return replace(AS_BELIEVED, value_rad=np.radians(-2.9), w=3.4, probability=probability, nameable=nameable, widening=widening)


def test_an_arc_that_everything_bears_out_is_accepted():
    verdict, reasons = judge_tracks(SOUND, CHECKS)
    assert verdict is Verdict.ACCEPTED
    assert "puts the apex at 200.0 m" in reasons[0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"zeros": wrong_zero()}, "the elevation zero of station B 3.4 sigmas from what is believed of it (-2.9°"),
        ({"zeros": wrong_zero(nameable=False)}, "two stations cannot show which"),
        ({"off": OffTrack("A", "azimuth", np.radians(4.0), 8.0, 1e-9)}, "the azimuth at the press of station A lies +4.0°"),
        ({"carried": replace(SOUND, probability=0.002)}, "carried along the arc to the apex: the readings disagree"),
        ({"carried": replace(SOUND, sporting=OPEN)}, "carried along the arc to the apex: sporting rule: does not close"),
        ({"carried": replace(SOUND, excluded=1)}, "its track is in the arc"),
        ({"pressed": None, "carried": None}, "only the tracks give one"),
    ],
)
def test_each_thing_that_speaks_against_an_arc_makes_it_doubtful_and_is_said_first(change, words):
    verdict, reasons = judge_tracks(SOUND, replace(CHECKS, **change))
    assert verdict is Verdict.DOUBTFUL
    assert words in reasons[0]


def test_zeros_that_chance_does_not_put_so_far_reject_a_height_unless_it_closes():
    zeros = wrong_zero(1e-5, widening=2.0)
    assert judge_tracks(SOUND, replace(CHECKS, zeros=zeros))[0] is Verdict.DOUBTFUL
    verdict, reasons = judge_tracks(SOUND, replace(CHECKS, zeros=zeros, carried=replace(SOUND, sporting=OPEN)))
    assert verdict is Verdict.REJECTED
    assert "the interval is widened to match" in reasons[0]


def test_presses_that_disagree_and_agree_at_the_apex_are_explained_by_when_they_were_made():
    verdict, reasons = judge_tracks(SOUND, replace(CHECKS, pressed=APART))
    assert verdict is Verdict.ACCEPTED
    assert "because they show the model 0.2 s before its apex (A), 1.3 s after its apex (B)" in " ".join(reasons)
    assert "is wrong" not in " ".join(reasons)


def test_presses_that_disagree_at_the_apex_too_are_not_explained():
    verdict, reasons = judge_tracks(SOUND, replace(CHECKS, pressed=APART, carried=replace(APART, sporting=OPEN)))
    assert verdict is Verdict.REJECTED
    assert "because they show the model" not in " ".join(reasons)


def test_a_reading_that_the_presses_left_out_is_told_of_the_arc_too():
    verdict, reasons = judge_tracks(replace(SOUND, excluded=2), CHECKS)
    assert verdict is Verdict.ACCEPTED
    assert any("2 readings were left out" in reason for reason in reasons)
