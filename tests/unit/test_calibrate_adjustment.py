"""One adjustment of poses and sightings: as true as it says, and as sure as it says; the campaign of 400 units is in bench/."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from apexfix.calibrate.adjustment import Recordings, TargetSighting, adjust
from apexfix.calibrate.coverage import RECOMMENDED
from apexfix.calibrate.stillness import Rest
from apexfix.calibrate.target import Target
from apexfix.errors import CalibrationError
from apexfix.sim import imu
from apexfix.units import DEG

_PLACE = Path(__file__).parents[2] / "bench" / "calibration.py"
_SPEC = importlib.util.spec_from_file_location("bench_calibration", _PLACE)
bench = sys.modules["bench_calibration"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(bench)

UNITS = 20
PARTS = {"MPU-6050": imu.MPU6050, "LSM6DSOX": imu.LSM6DSOX}


@pytest.fixture(scope="module")
def outcomes():
    """What calibrating 20 units of each part gave."""
    return {name: list(bench.outcomes(part, UNITS, seed=40 + len(name))) for name, part in PARTS.items()}


@pytest.mark.parametrize(("part", "most_deg"), [("MPU-6050", 0.05), ("LSM6DSOX", 0.02)])
def test_after_the_whole_procedure_elevations_are_true(outcomes, part, most_deg):
    found = outcomes[part]
    assert bench.rms_deg(found, "full_rad") <= most_deg
    # nothing less does it: six faces and 18 poses leave the tube where it was mounted
    assert bench.rms_deg(found, "faces_rad") > 5 * most_deg
    assert bench.rms_deg(found, "raw_rad") > bench.rms_deg(found, "faces_rad")


def test_the_stated_covariance_is_honest(outcomes):
    # 2 x 20 units, three independent directions each: the sum of squares is chi-square with 120 degrees of freedom
    ways = np.array([outcome.ways for found in outcomes.values() for outcome in found])
    low, high = chi2.ppf([0.001, 0.999], ways.size)
    assert low < np.sum(ways**2) < high
    # and eleven parameters each: 440
    parameters = 11 * np.array([outcome.parameters for found in outcomes.values() for outcome in found])
    low, high = chi2.ppf([0.001, 0.999], 11 * parameters.size)
    assert low < np.sum(parameters) < high


def test_a_hand_that_aims_worse_than_is_said_raises_the_sigmas():
    rng = np.random.default_rng(8)
    true = imu.faults(rng, imu.MPU6050)
    recorded = bench.record(rng, imu.MPU6050, true)
    said = adjust(recorded, np.eye(3), bench.SIGMA_AIM_RAD)
    bold = adjust(recorded, np.eye(3), bench.SIGMA_AIM_RAD / 5)
    assert said.raised == 1.0
    assert bold.raised > 1.5
    assert bold.sigma_zero_rad > said.sigma_zero_rad / 5 * 1.5


def rest(up, sigma_g=1e-4, seconds=4.0):
    return Rest(np.asarray(up, dtype=float), np.zeros(3), sigma_g, seconds, 25.0)


def test_a_pose_that_was_shaken_shows_in_the_residual_and_raises_the_sigmas():
    poses = [rest(pose) for pose in RECOMMENDED]
    shaken = [rest(RECOMMENDED[0] * 1.01), *poses[1:]]
    assert adjust(Recordings(poses), np.eye(3)).residual_rad < 1e-9
    found = adjust(Recordings(shaken), np.eye(3))
    assert found.residual_rad > 1e-3  # 10 mg in one of 18 poses
    assert found.raised > 3


def test_how_the_sensor_is_mounted_does_not_matter():
    mounted = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])  # the body's x is the sensor's -y
    offset = np.array([0.03, -0.01, 0.02])
    poses = [rest(mounted.T @ pose + offset) for pose in RECOMMENDED]
    found = adjust(Recordings(poses), mounted)
    assert found.offset_g == pytest.approx(offset, abs=1e-6)
    up = mounted.T @ [np.sin(0.5), 0.0, np.cos(0.5)] + offset
    assert found.elevation_rad(up[None]) == pytest.approx([0.5], abs=1e-6)


def test_without_a_known_target_the_tube_is_not_known():
    poses = [rest(pose) for pose in RECOMMENDED]
    assert adjust(Recordings(poses), np.eye(3)).sigma_zero_rad == pytest.approx(3 * DEG, rel=0.3)


def test_two_faces_on_a_mark_of_unknown_height_find_the_tube():
    # rolled by 180 degrees a tube askew by 1 degree errs the other way: half the difference is the tube's, the mean the mark's
    askew, mark = 1.0 * DEG, 4.0 * DEG
    poses = [rest(pose) for pose in RECOMMENDED]

    def reading(face):
        e = mark - face * askew  # of the sensor's x axis while the tube is on the mark
        return rest([np.sin(e), 0.0, face * np.cos(e)])

    sightings = [TargetSighting("mark", reading(face)) for face in (1, -1, 1, -1)]
    found = adjust(Recordings(poses, sightings, [Target("mark", None, 0.0)]), np.eye(3))
    assert np.arctan2(found.tube_body[2], found.tube_body[0]) / DEG == pytest.approx(1.0, abs=0.002)
    assert found.sigma_zero_rad < 0.05 * DEG


# --- what is refused ----------------------------------------------------------------------------------------------------


def test_two_faces_only_are_refused_and_the_missing_poses_are_named():
    with pytest.raises(
        CalibrationError, match=r"2 still poses seen, 6 or more .* needed.*resting still for 4 s: .*tube straight up"
    ):
        adjust(Recordings([rest([0, 0, 1]), rest([0, 0, -1])]), np.eye(3))


def test_poses_in_one_plane_are_refused_and_the_missing_poses_are_named():
    ring = [rest([0.0, np.sin(a), np.cos(a)]) for a in np.linspace(0, 6, 14)]
    with pytest.raises(CalibrationError, match=r"14 still poses, all in one plane seen.*: tube straight up; tube straight down$"):
        adjust(Recordings(ring), np.eye(3))


def test_a_sighting_of_something_unknown_is_refused_by_name():
    poses = [rest(pose) for pose in RECOMMENDED]
    with pytest.raises(CalibrationError, match="sightings of barn have no target; known are gable"):
        adjust(Recordings(poses, [TargetSighting("barn", rest([0, 0, 1]))], [Target("gable", 0.2, 0.001)]), np.eye(3))


def test_a_target_that_says_nothing_is_refused_by_name():
    poses = [rest(pose) for pose in RECOMMENDED]
    with pytest.raises(CalibrationError, match="target mark was never sighted and has no elevation"):
        adjust(Recordings(poses, [], [Target("mark", None, 0.0)]), np.eye(3))
