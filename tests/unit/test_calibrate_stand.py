"""A stand that leans, against rotations in space that share nothing with its formulas."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from apexfix.calibrate.stand import level_azimuth, sigma_turned, stand_axis
from apexfix.errors import CalibrationError
from apexfix.units import DEG

ROUND_RAD = np.arange(0, 360, 45) * DEG
LEAN_RAD = np.array([0.8, -1.3]) * DEG  # its upper end towards angle 0 and away from angle 90


def seen(lean_rad, angle_rad, above_rad):
    """Return azimuth and elevation of a tube at angles of a leaning axis: x towards angle 0, y towards angle 90, z up."""
    straight = np.column_stack([np.cos(above_rad) * np.cos(angle_rad), np.cos(above_rad) * np.sin(angle_rad), np.sin(above_rad)])
    x, y, z = Rotation.from_rotvec([-lean_rad[1], lean_rad[0], 0.0]).apply(straight).T
    return np.mod(np.arctan2(y, x), 2 * np.pi), np.arcsin(z)


def apart(a, b):
    return np.abs((a - b + np.pi) % (2 * np.pi) - np.pi)


@pytest.mark.parametrize("above_deg", [-3.0, 0.0, 12.0, 40.0])
def test_a_turn_through_the_horizon_finds_the_lean(above_deg):
    _, elevation = seen(LEAN_RAD, ROUND_RAD, np.full(8, above_deg * DEG))
    axis = stand_axis(ROUND_RAD, elevation, 0.05 * DEG)
    assert axis.lean_rad == pytest.approx(LEAN_RAD, abs=1e-12)
    assert axis.tube_rad == pytest.approx(above_deg * DEG, abs=1e-12)
    assert np.abs(axis.residual_rad).max() < 1e-12


def test_an_upright_stand_has_no_lean():
    axis = stand_axis(ROUND_RAD, np.full(8, 5 * DEG), 0.05 * DEG)
    assert axis.lean_rad == pytest.approx([0.0, 0.0], abs=1e-12)
    assert level_azimuth(axis, np.array([1.0]), np.array([1.2])) == pytest.approx([1.0])


def test_azimuths_of_a_leaning_stand_come_out_true_at_every_elevation():
    axis = stand_axis(ROUND_RAD, seen(LEAN_RAD, ROUND_RAD, np.zeros(8))[1], 0.05 * DEG)
    angle, above = (grid.ravel() for grid in np.meshgrid(np.arange(0, 360, 20) * DEG, np.array([-5, 0, 30, 60, 85]) * DEG))
    azimuth, elevation = seen(LEAN_RAD, angle, above)
    assert apart(level_azimuth(axis, angle, elevation), azimuth).max() < 1e-9
    assert apart(angle, azimuth).max() > 10 * DEG  # what the lean would do at 85 degrees


def test_a_lean_enters_the_azimuth_by_the_tangent_and_alike_in_both_faces():
    # F. Deumlich, Surveying Instruments, 1980, pages 132-134, as an open calibration library quotes it: a tilted vertical axis
    # enters by tan E and does not cancel over two faces; at 60 degrees the factor is 1.732. Here it leans across the line of sight.
    lean = 0.01 * DEG
    _, elevation = seen([0.0, lean], ROUND_RAD, np.zeros(8))
    axis = stand_axis(ROUND_RAD, elevation, 0.05 * DEG)
    first = level_azimuth(axis, np.array([0.0]), np.array([60 * DEG]))
    second = level_azimuth(axis, np.array([np.pi]), np.array([120 * DEG])) + np.pi  # turned round, the tube over the zenith
    for face in (first, second):
        assert ((face + np.pi) % (2 * np.pi) - np.pi) / lean == pytest.approx([1.732], abs=1e-3)


def test_the_stated_sigmas_are_those_of_many_turns():
    rng = np.random.default_rng(5)
    sigma = 0.1 * DEG
    _, elevation = seen(LEAN_RAD, ROUND_RAD, np.full(8, 4 * DEG))
    turns = [stand_axis(ROUND_RAD, elevation + rng.normal(0, sigma, 8), sigma) for _ in range(2000)]
    errors = np.array([turn.lean_rad - LEAN_RAD for turn in turns])
    assert np.cov(errors.T) == pytest.approx(turns[0].covariance_rad2, rel=0.1, abs=0.05 * sigma**2)
    at = np.array([200 * DEG, 30 * DEG]), np.array([10 * DEG, 60 * DEG])
    turned = np.array([np.diff(level_azimuth(turn, *at))[0] for turn in turns])
    assert turned.std() == pytest.approx(sigma_turned(turns[0], *at), rel=0.1)


def test_elevations_that_scatter_raise_the_sigmas():
    rng = np.random.default_rng(6)
    _, elevation = seen(LEAN_RAD, ROUND_RAD, np.zeros(8))
    found = stand_axis(ROUND_RAD, elevation + rng.normal(0, 0.5 * DEG, 8), 0.05 * DEG)
    assert found.raised > 3
    assert stand_axis(ROUND_RAD, elevation, 0.05 * DEG).raised == 1.0


@pytest.mark.parametrize(
    ("angles_deg", "swing_deg", "message"),
    [
        ([0, 90, 180], 0.5, "3 directions seen, 4 or more"),
        ([0, 30, 60, 90, 120, 150], 0.5, "no reading in 210° of the horizon"),
        (list(range(0, 360, 45)), 15.0, "swing by 30° over a turn"),
    ],
)
def test_what_finds_no_axis_is_refused_with_what_to_do(angles_deg, swing_deg, message):
    angle = np.array(angles_deg) * DEG
    with pytest.raises(CalibrationError, match=message):
        stand_axis(angle, swing_deg * DEG * np.cos(angle), 0.05 * DEG)
