"""From evidence to a word and sentences."""

from dataclasses import replace

import pytest

from apexfix.model import Verdict
from apexfix.reduce.closure import ClosureRule, SportingVerdict
from apexfix.reduce.verdict import Evidence, judge, judge_tracks

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


def test_tracks_far_from_the_presses_are_doubtful():
    assert judge_tracks(SOUND, Verdict.ACCEPTED, None)[0] is Verdict.ACCEPTED
    assert judge_tracks(SOUND, Verdict.ACCEPTED, 4.2)[0] is Verdict.DOUBTFUL


def test_tracks_alone_do_not_make_rejected_presses_accepted():
    assert judge_tracks(SOUND, Verdict.REJECTED, None)[0] is Verdict.DOUBTFUL
