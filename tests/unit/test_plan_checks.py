"""Published figures held against a plan."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.plan.checks import GOOD, UNKNOWN, WARNING, Launch, checks, stated_limits
from apexfix.plan.expected import Wind, from_interval
from apexfix.plan.field import Field
from apexfix.safety import motor_advice, unknown_advice
from apexfix.units import DEG

WEST = Wind(3.0, 270 * DEG)
MEADOW = Field("meadow", np.array([[-75.0, -75.0], [75.0, -75.0], [75.0, 75.0], [-75.0, 75.0]]))
FAR = {"A": np.array([-70.0, 0.0, 1.5])}


def verdicts(expected, field=MEADOW, advice=None, stations=None):
    told = checks(Launch(expected, field, advice or motor_advice("C"), ()), stations or FAR)
    return {check.subject: check for check in told}


def low(descent_m_s=4.0, wind=WEST, lean_deg=5):
    return from_interval((9.0, 11.0), wind, descent_m_s, (lean_deg * DEG, f"{lean_deg} degrees"))


def test_a_field_of_150_m_is_enough_for_class_d_and_too_small_for_e():
    assert verdicts(low(), advice=motor_advice("D"))["site"].verdict == GOOD
    small = verdicts(low(), advice=motor_advice("E"))["site"]
    assert small.verdict == WARNING
    assert "300 m" in small.words
    assert "circle of 150 m" in small.words
    assert verdicts(low(), field=None)["site"].verdict == UNKNOWN
    assert verdicts(low(), advice=unknown_advice())["site"].verdict == UNKNOWN


def test_a_slow_descent_in_the_wind_leaves_the_field():
    assert verdicts(low())["descent"].verdict == GOOD
    assert verdicts(from_interval((90, 110), WEST, 2.0, (0.1, "")))["descent"].verdict == WARNING
    assert verdicts(low(descent_m_s=None))["descent"].verdict == UNKNOWN
    assert verdicts(low(wind=Wind(None, None)))["descent"].verdict == UNKNOWN
    assert verdicts(low(), field=None)["descent"].verdict == UNKNOWN


def test_the_ballistic_circle_is_that_of_a_throw_without_air():
    # Free flight to the height h from a lean a has the range 4 h tan a (any textbook of mechanics): 11 m at 55 degrees, 62.8 m.
    told = low(lean_deg=55)
    assert told.ballistic_m == pytest.approx(62.84, abs=0.01)
    assert verdicts(told)["ballistic return"].verdict == GOOD
    assert verdicts(from_interval((90, 110), WEST, 4.0, (45 * DEG, "")))["ballistic return"].verdict == WARNING


def test_the_ballistic_circle_holds_twice_the_drift_of_the_apexes():
    # without air the way down mirrors the way up; 95 % of a round normal distribution lie within 2.4477 sigmas
    told = low(lean_deg=0)
    assert told.ballistic_m == pytest.approx(2 * 2.4477 * told.drift_covariance_m2[0, 0] ** 0.5, rel=1e-4)


def test_an_observer_among_the_landings_is_warned_of():
    told = replace(low(), drift_covariance_m2=4.0 * np.eye(2))
    under = {"A": FAR["A"], "B": np.array([told.carry.median_m, 0.0, 1.5])}
    assert "observers" not in verdicts(told)
    assert verdicts(told, stations=under)["observers"].words.startswith("B stand")


def test_the_crowd_stands_upwind_behind_the_strictest_distance():
    words = verdicts(low(), advice=motor_advice("F"))["crowd line"].words
    assert "at least 9.1 m" in words
    assert "270 degrees" in words
    assert "degrees" not in verdicts(low(wind=Wind(3.0, None)))["crowd line"].words


@pytest.mark.parametrize(
    ("wind_m_s", "lean_deg", "count"), [(8.8, 30, 0), (9.0, 30, 1), (8.8, 31, 1), (9.0, 31, 2), (None, None, 0)]
)
def test_wind_above_32_km_h_and_a_lean_above_30_degrees_are_told(wind_m_s, lean_deg, count):
    assert len(stated_limits(wind_m_s, None if lean_deg is None else lean_deg * DEG)) == count
