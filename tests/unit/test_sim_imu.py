"""The simulated sensors and observers against data sheets and exact turns."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from apexfix.sim import imu, meadow, observer
from apexfix.units import DEG

QUIET_MPU = imu.Part("MPU-6050", 16384.0, 131.0, *([0.0] * 9))
QUIET_LSM = imu.Part("LSM6DSOX", 1000 / 0.061, 1000 / 4.375, *([0.0] * 9))
PERFECT = imu.Faults(np.zeros(3), np.eye(3), np.zeros(3), np.eye(3), np.zeros(3), np.zeros(3), np.array([1.0, 0.0, 0.0]))


def one_reading(part, force_g, rate_dps):
    motion = (np.array([force_g]), np.array([rate_dps]), np.array([25.0]))
    return imu.counts(np.random.default_rng(1), part, PERFECT, motion)[0].tolist()


def test_one_g_and_a_hundred_degrees_a_second_give_the_counts_of_the_data_sheets():
    # MPU-6050 (InvenSense PS-MPU-6000A rev 3.4): 16384 LSB/g at 2 g, 131 LSB/(deg/s) at 250 deg/s.
    assert one_reading(QUIET_MPU, [0.0, 0.0, 1.0], [100.0, 0.0, 0.0]) == [0, 0, 16384, 13100, 0, 0, 2500]
    # LSM6DSOX (ST DS12814): 0.061 mg/LSB at 2 g, 4.375 mdps/LSB at 125 deg/s: 1 / 0.000061 = 16393.4, 100 / 0.004375 = 22857.1.
    assert one_reading(QUIET_LSM, [0.0, 0.0, 1.0], [100.0, 0.0, 0.0]) == [0, 0, 16393, 22857, 0, 0, 2500]


def test_a_unit_at_rest_feels_one_g_upward_and_no_turn():
    force_g, rate_dps = imu.motion_of(Rotation.from_euler("ZYX", np.tile([0.3, -0.6, 0.1], (50, 1))), 0.3)
    assert np.linalg.norm(force_g, axis=1) == pytest.approx(1.0)
    assert force_g[0] == pytest.approx([np.sin(0.6), np.cos(0.6) * np.sin(0.1), np.cos(0.6) * np.cos(0.1)])  # NXP AN3461 rev 4
    assert rate_dps == pytest.approx(0.0, abs=1e-9)


def test_a_single_pose_feels_no_turn():
    force_g, rate_dps = imu.motion_of(Rotation.from_rotvec(np.zeros((1, 3))), 0.3)
    assert force_g.tolist() == [[0.0, 0.0, 1.0]]
    assert rate_dps.tolist() == [[0.0, 0.0, 0.0]]


def test_a_steady_turn_gives_its_rate_and_its_centripetal_force():
    omega_rad_s = 100.0 * DEG
    turn = Rotation.from_rotvec(np.outer(np.arange(400) * omega_rad_s / imu.SAMPLE_HZ, [0.0, 0.0, 1.0]))
    force_g, rate_dps = imu.motion_of(turn, 0.5)
    assert rate_dps[5:-5] == pytest.approx(np.tile([0.0, 0.0, 100.0], (390, 1)))
    assert force_g[5:-5, 0] == pytest.approx(-0.5 * omega_rad_s**2 / 9.80665, rel=1e-4)  # omega^2 r, inward


def test_a_turn_that_speeds_up_shows_the_rate_of_the_instant_whose_force_it_shows():
    # angle 1/2 alpha t^2 about the vertical: at t the rate is alpha t, the inward force r (alpha t)^2; kinematics of rotation
    alpha, time_s = 3.0, np.arange(400) / imu.SAMPLE_HZ
    turn = Rotation.from_rotvec(np.outer(alpha * time_s**2 / 2, [0.0, 0.0, 1.0]))
    force_g, rate_dps = imu.motion_of(turn, 0.5)
    assert rate_dps[1:-1, 2] * DEG == pytest.approx(alpha * time_s[1:-1])
    assert np.sqrt(-force_g[200:-1, 0] * 9.80665 / 0.5) == pytest.approx(rate_dps[200:-1, 2] * DEG, rel=5e-4)


def test_the_calibration_of_a_unit_leaves_about_a_twentieth_of_a_degree_of_elevation():
    rng = np.random.default_rng(7)
    errors = [_elevation_error_deg(rng, elevation) for elevation in np.tile(np.linspace(0, 80, 9) * DEG, 100)]
    assert 0.03 < np.std(errors) < 0.07


def _elevation_error_deg(rng, elevation_rad):
    true = imu.faults(rng, imu.MPU6050)
    given = imu.calibration(rng, true, "t")
    tube_up = np.array([0.0, 0.0, 1.0]) - true.tube_body[2] * true.tube_body
    force = np.sin(elevation_rad) * true.tube_body + np.cos(elevation_rad) * tube_up / np.linalg.norm(tube_up)
    seen = np.array(given["accel_matrix"]) @ (true.accel_matrix @ force + true.accel_offset_g - np.array(given["accel_offset_g"]))
    return np.arcsin(seen @ np.array(given["tube_body"]) / np.linalg.norm(seen)) / DEG - elevation_rad / DEG


def test_a_pose_looks_where_its_angles_say():
    # North and 30 degrees up is (0, cos 30, sin 30); leaning back to 100 degrees from the east is west and 80 degrees up.
    pose = observer.Pose(np.array([0.0, 90 * DEG]), np.array([30 * DEG, 100 * DEG]), np.zeros(2))
    look = observer.orientation(pose, np.array([0.2, 0.0])).as_matrix()[:, :, 0]
    assert look[0] == pytest.approx([0.0, np.cos(30 * DEG), 0.5], abs=1e-12)
    assert look[1] == pytest.approx([-np.cos(80 * DEG), 0.0, np.sin(80 * DEG)], abs=1e-12)


@pytest.mark.parametrize("overhead", [False, True])
def test_an_aim_hits_what_it_looks_at(overhead):
    sights = np.array([[10.0, 20.0, 30.0], [-5.0, 80.0, 60.0], [1.0, -20.0, 90.0]])
    pose = observer.aim(sights, 0.2, overhead)
    look = observer.orientation(pose, np.zeros(3)).as_matrix()[:, :, 0]
    assert look == pytest.approx(sights / np.linalg.norm(sights, axis=1)[:, None], abs=1e-12)


def test_an_observer_points_at_the_model_when_the_mark_is_pressed_and_at_the_pad_when_reference_is():
    rng = np.random.default_rng(11)
    plan = meadow.draw_plan(rng)
    stations = meadow.draw_stations(rng, plan.overhead[1])
    trajectory, _ = meadow.draw_flights(rng, plan, stations)[plan.double[0]]
    watch = observer.Watch(1, 60.0, trajectory)
    look, presses = observer.observe(rng, stations[plan.double[1]], (watch,), 120 * imu.SAMPLE_HZ)
    for press in presses:
        target = trajectory.position_m(np.array([press.time_s - 60.0]))[0] if press.kind == "mark" else np.zeros(3)
        sight = target - stations[plan.double[1]]
        held = look[round(press.time_s * imu.SAMPLE_HZ)].as_matrix()[:, 0]
        off_deg = np.degrees(np.arccos(held @ sight / np.linalg.norm(sight)))
        assert off_deg < 1.7  # four sigma of 0.3 degrees of jitter in two directions, and a little lag at the apex


def test_a_press_bounces_and_ends_released():
    rng = np.random.default_rng(12)
    for _ in range(50):
        found = observer.edges(rng, observer.Press(10.0, "mark", 0.2, 1), 14)
        assert found[0] == (10.0, 14, 0)
        assert found[-1][2] == 1
        assert all(a[2] != b[2] and a[0] < b[0] for a, b in pairwise(found))
