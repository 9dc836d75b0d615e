"""The smoother: motions whose attitude is known by construction, felt by an ideal sensor."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from apexfix.attitude import Stretch, integrated, pointing_of
from apexfix.smoother import smoothed
from apexfix.units import DEG

GRAVITY = 9.80665
TUBE = np.array([1.0, 0.0, 0.0])
T_S = np.arange(-300, 101) / 100.0


def held(elevation_deg, heading_deg):
    """A motion: the attitude at times (N,) of a tube at elevations and headings in time, rolled a little: yaw, then pitch."""

    def attitude(t_s):
        yaw, pitch = 90.0 - heading_deg(t_s), -elevation_deg(t_s)
        return Rotation.from_euler("ZYX", np.column_stack([yaw, pitch, np.full(t_s.shape, 4.0)]), degrees=True)

    return attitude


def constant(value):
    """A quantity that does not change in time."""
    return lambda t_s: np.full(t_s.shape, value)


def felt(motion, t_s, arm_m=(0.0, 0.0, 0.0)):
    """Rate (rad/s) and specific force (g) in body axes: central differences over a millisecond."""
    before, now, after = (motion(t_s + late_s) for late_s in (-1e-3, 0.0, 1e-3))
    rate = (before.inv() * after).as_rotvec() / 2e-3
    acceleration = (before.apply(arm_m) - 2 * now.apply(arm_m) + after.apply(arm_m)) / 1e-6
    return rate, now.inv().apply(acceleration / GRAVITY + [0.0, 0.0, 1.0])


def stretch(motion, t_s, wrong=None, arm_m=(0.0, 0.0, 0.0), offset_rad_s=(0.0, 0.0, 0.0)):
    """A window whose press is at time zero; `wrong` turns the attitude that the unit logged."""
    rate, force = felt(motion, t_s, arm_m)
    at_press = motion(t_s[[np.argmin(np.abs(t_s))]])[0]
    logged = at_press if wrong is None else wrong * at_press
    t_us = np.round(t_s * 1e6).astype(np.int64) + 7_000_000
    return Stretch(t_us, rate + np.array(offset_rad_s), force, 7_000_000, logged.as_quat(scalar_first=True), 0.003)


def wxyz(rotations):
    return rotations.as_quat(scalar_first=True)


def rotations(found):
    return Rotation.from_quat(found.attitude_wxyz, scalar_first=True)


def errors_deg(motion, found, t_s=T_S):
    """Elevation of the tube found, less the true one, in degrees."""
    return (pointing_of(found.attitude_wxyz, TUBE)[1] - pointing_of(wxyz(motion(t_s)), TUBE)[1]) / DEG


@settings(max_examples=25, deadline=None)
@given(
    lean=st.tuples(st.floats(-150, 150), st.floats(-20, 20)),
    heading=st.floats(0, 360),
    elevation=st.floats(-30, 85),
)
def test_a_unit_at_rest_is_upright_however_its_own_attitude_leaned_and_its_heading_stays(lean, heading, elevation):
    motion = held(constant(elevation), constant(heading))
    wrong = Rotation.from_rotvec([lean[0] * DEG * np.cos(lean[1]), lean[0] * DEG * np.sin(lean[1]), 0.0])
    (found,) = smoothed([stretch(motion, T_S, wrong)])
    assert np.abs(errors_deg(motion, found)).max() < 1e-4
    assert (rotations(found)[300] * motion(T_S)[300].inv()).magnitude() / DEG < 1e-3


def test_what_leans_about_the_vertical_is_heading_and_is_not_touched():
    (found,) = smoothed([stretch(held(constant(40.0), constant(60.0)), T_S, Rotation.from_rotvec([0.0, 0.0, 0.5]))])
    heading = pointing_of(found.attitude_wxyz, TUBE)[0]
    assert np.degrees(heading) == pytest.approx(np.full(len(T_S), 60.0 - np.degrees(0.5)), abs=1e-3)


def following(t_s):
    """Elevations (deg) of an observer 100 m from where a model stops and falls, with a hand that trembles."""
    drop = 0.5 * GRAVITY * (t_s + 0.2) ** 2
    return np.degrees(np.arctan2(100.0 - drop, 100.0)) + 0.2 * np.sin(9.0 * t_s) + 0.1 * np.sin(17.0 * t_s + 1.0)


def test_the_fall_of_a_hand_at_arm_s_length_is_not_taken_for_a_tilt():
    motion, arm_m = held(following, lambda t_s: 20.0 + 2.0 * np.sin(t_s)), (0.4, 0.0, 0.05)
    _, force = felt(motion, T_S, arm_m)
    mean = np.mean(motion(T_S).apply(force), axis=0)
    assert np.degrees(np.hypot(mean[0], mean[1])) > 0.1  # what the mean of the accelerometer would be wrong by
    (found,) = smoothed([stretch(motion, T_S, arm_m=arm_m)])
    assert np.abs(errors_deg(motion, found)).max() < 0.03
    assert found.arm_m == pytest.approx(arm_m, abs=0.05)


def test_a_drift_of_the_gyroscope_is_shared_out_and_not_left_to_the_far_end():
    motion = held(lambda t_s: 50.0 + 5.0 * np.sin(t_s), constant(20.0))
    (found,) = smoothed([stretch(motion, T_S, offset_rad_s=np.array([0.05, -0.05, 0.03]) * DEG)])
    assert np.abs(errors_deg(motion, found)).max() < 0.11  # 0.15 at the far end if the gyroscope were believed


def test_lost_samples_cost_no_time_and_less_than_the_gyroscope_alone_would():
    motion, keep = held(following, constant(20.0)), np.r_[0:120, 150:401]
    whole = stretch(motion, T_S)
    gap = replace(whole, t_us=whole.t_us[keep], rate_rad_s=whole.rate_rad_s[keep], force_g=whole.force_g[keep])
    (found,) = smoothed([gap])
    carried = integrated(T_S[keep][None], gap.rate_rad_s[None], gap.attitude_wxyz[None])[0]
    alone = pointing_of(carried, TUBE)[1] - pointing_of(wxyz(motion(T_S[keep])), TUBE)[1]
    before = slice(0, 100)
    assert np.abs(errors_deg(motion, found, T_S[keep])[before]).max() < np.abs(alone[before] / DEG).max() / 4


def test_windows_of_any_lengths_together_give_what_each_gives_alone():
    windows = []
    for count in (100, 401, 100, 33):
        t_s = (np.arange(count) - count // 2) / 100.0
        windows.append(stretch(held(following, constant(count / 3.0)), t_s, Rotation.from_rotvec([0.02, 0.01, 0.0])))
    for together, one in zip(smoothed(windows), windows, strict=True):
        (alone,) = smoothed([one])
        assert (rotations(together) * rotations(alone).inv()).magnitude() == pytest.approx(0.0, abs=1e-7)
        assert together.sigma_tilt_rad == pytest.approx(alone.sigma_tilt_rad, rel=1e-4)


@pytest.mark.parametrize("force_g", [0.0, 3.0])
def test_where_gravity_is_not_felt_the_unit_s_own_attitude_stands(force_g):
    motion = held(lambda t_s: 30.0 + 5.0 * t_s, constant(20.0))
    one = stretch(motion, T_S)
    (found,) = smoothed([replace(one, force_g=one.force_g * force_g)])
    assert np.isinf(found.sigma_tilt_rad)
    assert np.abs(errors_deg(motion, found)).max() < 1e-3


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_shortest_windows_are_no_trouble(count):
    motion, t_s = held(constant(35.0), constant(20.0)), np.arange(count) / 100.0
    (found,) = smoothed([stretch(motion, t_s)])
    assert errors_deg(motion, found, t_s) == pytest.approx(np.zeros(count), abs=1e-4)


def test_a_longer_window_states_a_smaller_sigma():
    motion = held(constant(45.0), constant(0.0))
    short, long = smoothed([stretch(motion, T_S[250:351]), stretch(motion, T_S)])
    assert long.sigma_tilt_rad < short.sigma_tilt_rad
