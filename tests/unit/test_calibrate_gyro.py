"""The gyroscope: full turns back onto a mark, and the offset with its trend."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from apexfix.calibrate.gyro import SIGMA_CLOSURE_DEG, Turn, fit_offset, fit_turns, turn_in
from apexfix.calibrate.stillness import Rest, Samples
from apexfix.errors import CalibrationError
from apexfix.sim import imu
from apexfix.units import DEG

HZ = 100
AXES = {"level": (0, 0, 1), "straight up": (1, 0, 0), "on its side": (0, 1, 0)}


def turned(true_matrix, up, turns=1.0, *, offset=(1.2, -0.7, 0.4), lean_deg=0.0, rests_s=(3.0, 3.0), seed=0):
    """Samples of a turn about the upward axis in 8 s between two rests, by a gyroscope that reads matrix @ rate + offset."""
    rng = np.random.default_rng(seed)
    soft = 1 - np.cos(2 * np.pi * np.arange(8 * HZ) / (8 * HZ))  # begins and ends as softly as a hand can
    rate = np.concatenate([np.zeros(round(rests_s[0] * HZ)), 360 * turns / 8 * soft, np.zeros(round(rests_s[1] * HZ))])
    rates = np.outer(rate, up) @ np.asarray(true_matrix).T + offset
    force = np.tile(np.asarray(up, dtype=float), (len(rates), 1))
    force[len(force) // 2 :] = Rotation.from_rotvec([lean_deg * DEG, lean_deg * DEG, 0]).apply(force[len(force) // 2 :])
    t_us = np.arange(len(rates), dtype=np.int64) * (1_000_000 // HZ)
    return Samples(t_us, force + rng.normal(0, 0.003, force.shape), rates + rng.normal(0, 0.04, rates.shape), 25.0)


def test_a_whole_turn_is_recognised_with_its_sense():
    against, clockwise = (turn_in(turned(np.eye(3), (0, 0, 1), turns)) for turns in (1.0, -2.0))
    assert (against.turns, clockwise.turns) == (1, -2)
    assert against.angle_deg == pytest.approx([0, 0, 360], abs=0.1)
    assert clockwise.angle_deg[2] == pytest.approx(-720, abs=0.1)


def test_three_axes_of_turns_find_scale_and_cross_axis():
    true = np.array([[1.02, 0.01, -0.005], [-0.008, 0.985, 0.012], [0.004, -0.011, 1.01]])
    turns = [turn_in(turned(true, up, way, seed=n)) for n, (up, way) in enumerate((u, w) for u in AXES.values() for w in (1, -1))]
    found = fit_turns(turns, np.zeros(3), np.eye(3))
    error = found.matrix @ true - np.eye(3)
    # scale: the noise of a turn is 0.03 of 360 degrees. Cross-axis: two turns whose axis is trusted to 0.3 degrees give 0.0037, and
    # the data sheet's 0.02 pulls a true 0.012 towards zero by (0.0037 / 0.02)^2 of it, 0.0004.
    assert np.diag(error) == pytest.approx(np.zeros(3), abs=2e-4)
    assert error == pytest.approx(np.zeros((3, 3)), abs=7e-4)
    assert found.remarks == ()


def test_the_stated_covariance_of_the_matrix_is_honest():
    # 120 seeded units with the marks missed as the fit is told: the nine normalised errors add up to chi-square
    squares = []
    for rng in np.random.default_rng(12).spawn(120):
        true = imu.faults(rng, imu.MPU6050).gyro_matrix
        turns = []
        for up in (u for u in AXES.values() for _ in range(2)):
            askew = np.asarray(up) + np.radians(0.3) * rng.normal(size=3) * (1 - np.asarray(up))
            angle = 360 * askew + rng.normal(0, SIGMA_CLOSURE_DEG) * np.asarray(up)
            turns.append(Turn(true @ angle, np.asarray(up, dtype=float), 1, 8.0))
        found = fit_turns(turns, np.zeros(3), np.eye(3))
        error = (found.matrix - np.linalg.inv(true)).ravel()
        squares.append(error @ np.linalg.solve(found.covariance, error))
    low, high = chi2.ppf([0.0005, 0.9995], 9 * 120) / 120
    assert low < np.mean(squares) < high


def test_two_axes_leave_the_third_to_the_data_sheet_and_say_so():
    turns = [turn_in(turned(np.eye(3), up, seed=7)) for up in ((0, 0, 1), (1, 0, 0))]
    found = fit_turns(turns, np.zeros(3), np.eye(3))
    assert "turn the unit about that axis, too" in found.remarks[0]
    sigma = np.sqrt(np.diag(found.covariance))[[0, 4, 8]]
    assert sigma == pytest.approx([0.001, 0.03, 0.001], rel=0.3)


def test_turns_about_one_axis_are_refused():
    turns = [turn_in(turned(np.eye(3), (0, 0, 1), way)) for way in (1, -1)]
    with pytest.raises(
        CalibrationError, match=r"2 turns about 1 axis seen, two axes are needed .* tube straight up, then lying on its side"
    ):
        fit_turns(turns, np.zeros(3), np.eye(3))
    with pytest.raises(CalibrationError, match="0 turns about 0 axis seen"):
        fit_turns([], np.zeros(3), np.eye(3))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"turns": 0.5}, r"turned \+0\.50 times, a whole number is needed; turn it once or twice round and stop on the mark"),
        ({"rests_s": (0.5, 3.0)}, r"1 rests seen, one of 2 s on the mark before the turn and one after it are needed"),
        ({"rests_s": (3.0, 0.5)}, r"1 rests seen, one of 2 s on the mark before the turn and one after it are needed"),
        ({"lean_deg": 4.0}, r"leans 5\.\d° otherwise after the turn than before, at most 3° expected; turn it on a level board"),
    ],
)
def test_a_turn_that_is_none_is_refused_and_says_why(change, said):
    with pytest.raises(CalibrationError, match=said):
        turn_in(turned(np.eye(3), (0, 0, 1), **change))


def test_what_the_hand_did_before_the_turn_and_its_shake_at_the_press_are_no_part_of_the_turn():
    rng = np.random.default_rng(1)
    turn = turned(np.eye(3), (0, 0, 1), 1.0, rests_s=(3.0, 5.0))
    handling = turned(np.eye(3), (0, 0, 1), 0.19, rests_s=(0.0, 0.0))  # laid down on the mark, turning by the way
    rates = np.vstack([handling.rate_dps, turn.rate_dps])
    shaken = slice(len(rates) - 250, len(rates) - 230)  # the button, 2.5 s before the end
    rates[shaken] += rng.normal(0, 8, (20, 3))
    t_us = np.arange(len(rates), dtype=np.int64) * (1_000_000 // HZ)
    found = turn_in(Samples(t_us, np.vstack([handling.force_g, turn.force_g]), rates, 25.0))
    assert found.turns == 1
    assert found.angle_deg == pytest.approx([0, 0, 360], abs=0.5)  # the shake itself turns by a few tenths


def test_a_hand_may_rest_half_way():
    halves = [turned(np.eye(3), (0, 0, 1), 0.5, seed=n) for n in range(2)]
    rates, force = (np.vstack([getattr(half, name) for half in halves]) for name in ("rate_dps", "force_g"))
    t_us = np.arange(len(rates), dtype=np.int64) * (1_000_000 // HZ)
    assert turn_in(Samples(t_us, force, rates, 25.0)).turns == 1


def test_a_unit_that_never_turned_is_refused():
    with pytest.raises(CalibrationError, match="1 rests seen, one of 2 s on the mark before the turn"):
        turn_in(turned(np.eye(3), (0, 0, 1), 0.0))


def rest(rate_dps, warmth):
    return Rest(np.array([0.0, 0, 1]), np.asarray(rate_dps, dtype=float), 1e-4, 4.0, warmth)


def test_the_offset_of_rests_at_one_temperature_is_their_mean_without_a_trend():
    found = fit_offset([rest([1.0, 2.0, 3.0], 21.0), rest([1.2, 2.2, 3.2], 22.0)])
    assert found.offset_dps == pytest.approx([1.1, 2.1, 3.1])
    assert found.sigma_dps == pytest.approx([0.1] * 3)  # of a mean of two: half their difference
    assert found.trend_dps_per_celsius is None


def test_the_trend_over_temperature_is_the_slope_of_a_line():
    rng = np.random.default_rng(4)
    warmth = np.linspace(10, 35, 12)
    rests = [rest([0.5, -1, 2] + np.array([0.03, -0.02, 0.0]) * (t - 20) + rng.normal(0, 0.01, 3), t) for t in warmth]
    found = fit_offset(rests)
    # numpy's own fit of a line with its covariance is the second method
    for axis in range(3):
        (slope, _), covariance = np.polyfit(warmth, [r.rate_dps[axis] for r in rests], 1, cov=True)
        assert found.trend_dps_per_celsius[axis] == pytest.approx(slope, rel=1e-9)
        assert found.sigma_trend_dps_per_celsius[axis] == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-6)


def test_without_any_rest_there_is_no_offset():
    with pytest.raises(CalibrationError, match="no rest seen; leave the unit untouched for ten seconds"):
        fit_offset([])
