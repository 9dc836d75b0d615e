"""The heading room: backsights to azimuths, and how far they may be wrong."""

import numpy as np
import pytest

from apexfix.calibrate.imu import carried_calibration
from apexfix.calibrate.tolerance import tolerance_of
from apexfix.heading import Look, heading_zero, misclosure_limit_rad
from apexfix.units import DEG

AIM = 0.2 * DEG
SCALES = {"accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5}
CALIBRATED = {
    "accel_offset_g": [0.01, 0.0, 0.0],
    "gyro_matrix": np.diag([1.01, 1.0, 1.0]).tolist(),
    "sigma_elevation_zero_deg": 0.02,
}
PARTS = ("MPU-6050", "LSM6DSOX")


def tolerance(imu="MPU-6050", calibration=None):
    return tolerance_of(imu, carried_calibration(SCALES | {"calibration": calibration}))


def look(seconds, heading_deg, elevation_deg=0.0, celsius=20.0, rested_s=0.0):
    return Look(round(seconds * 1e6), heading_deg * DEG, elevation_deg * DEG, celsius, round((seconds - rested_s) * 1e6))


def sigma_deg(backsights, mark, unit):
    return heading_zero(backsights, 50 * DEG, mark, AIM, unit).sigma_rad / DEG


def test_two_backsights_take_out_a_steady_drift_exactly():
    rate = 0.02  # degrees per second
    zero_at = {t: 10 + rate * t for t in (0, 30, 100)}
    backsights = [look(t, (50 - zero_at[t]) % 360) for t in (0, 100)]
    zero = heading_zero(backsights, 50 * DEG, look(30, 0.0), AIM, tolerance())
    assert zero.azimuth_minus_heading_rad / DEG == pytest.approx(zero_at[30])
    assert zero.misclosure_rad / DEG == pytest.approx(rate * 100)


def test_a_misclosure_across_north_is_the_short_way_round():
    zero = heading_zero([look(0, 359.9), look(10, 0.1)], 0.0, look(5, 0.0), AIM, tolerance())
    assert zero.azimuth_minus_heading_rad == pytest.approx(0.0, abs=1e-12)
    assert zero.misclosure_rad / DEG == pytest.approx(-0.2)


def test_no_backsight_gives_no_azimuth():
    assert heading_zero([], 0.0, look(0, 0.0), AIM, tolerance()) is None


@pytest.mark.parametrize("imu", PARTS)
def test_one_backsight_gives_a_zero_that_is_less_sure_with_time(imu):
    sigma = [sigma_deg([look(0, 50.0)], look(t, 50.0), tolerance(imu)) for t in (0, 1, 60, 300)]
    assert sigma == sorted(sigma)
    assert sigma[0] == pytest.approx(0.2)  # the aim alone


def test_a_heading_that_warms_is_less_sure_by_half_its_change():
    # By hand: an even rise of 2 degrees Celsius in 100 s at 0.010 degrees a second for each (LSM6DSOX) is a mean of 0.01, 1 degree
    even, rising = (sigma_deg([look(0, 50.0)], look(100, 50.0, celsius=c), tolerance("LSM6DSOX")) for c in (20.0, 22.0))
    assert np.sqrt(rising**2 - even**2) == pytest.approx(1.0)


@pytest.mark.parametrize(("calibration", "share"), [(None, 0.03 / np.sqrt(3)), (CALIBRATED, 0.001)])
def test_what_a_turn_is_long_or_short_by_is_whole_at_the_mark_between_two_backsights(calibration, share):
    pair = [look(0, 50.0), look(20, 50.0)]
    ahead, aside = (sigma_deg(pair, look(10, 50.0 + turn), tolerance(calibration=calibration)) for turn in (0.0, -150.0))
    assert np.sqrt(aside**2 - ahead**2) == pytest.approx(150 * share, rel=1e-6)


def test_a_turn_counts_the_short_way_round():
    pair = [look(0, 350.0), look(20, 350.0)]
    assert sigma_deg(pair, look(10, 20.0), tolerance()) == pytest.approx(sigma_deg(pair, look(10, 320.0), tolerance()))


def test_an_accelerometer_that_is_not_upright_twists_the_azimuth_of_a_raised_tube():
    pair = [look(0, 50.0), look(20, 50.0)]
    level, raised = (sigma_deg(pair, look(10, 50.0, elevation), tolerance()) for elevation in (0.0, 60.0))
    # by hand: 2.4 degrees times tan 60; half a degree of the tube to the side times (1 / cos 60 - 1); a cross axis of 2 % / root 3
    expected = np.linalg.norm([2.4 * np.tan(60 * DEG), 0.5, 60 * 0.02 / np.sqrt(3)])
    assert np.sqrt(raised**2 - level**2) == pytest.approx(expected, rel=1e-6)


def test_at_and_beyond_the_zenith_the_sigma_is_a_number():
    for elevation in (89.999, 90.0, 90.001, 120.0):
        assert np.isfinite(sigma_deg([look(0, 50.0), look(20, 50.0)], look(10, 50.0, elevation), tolerance()))


@pytest.mark.parametrize("pair", [[0.0], [0.0, 60.0]])
def test_a_unit_that_never_rested_carries_no_heading(pair):
    # by the data sheet its rates may be wrong by 20 degrees a second: in half a minute nobody knows where it looked
    backsights = [Look(round(t * 1e6), 1.0, 0.0, 20.0, None) for t in pair]
    assert heading_zero(backsights, 0.0, look(30, 50.0), AIM, tolerance()) is None


def test_an_unknown_temperature_counts_as_one_that_moves():
    pair = [look(0, 50.0), look(600, 50.0)]
    unknown = [Look(b.t_us, b.heading_rad, b.elevation_rad, None, b.still_us) for b in pair]
    mark = look(300, 50.0)
    assert sigma_deg(unknown, mark, tolerance()) > sigma_deg(pair, mark, tolerance())


@pytest.mark.parametrize("imu", PARTS)
def test_a_push_of_three_degrees_within_three_minutes_is_beyond_the_limit(imu):
    pair = [look(0, 50.0, rested_s=10.0), look(180, 50.0)]
    assert misclosure_limit_rad(pair, look(90, 50.0), AIM, tolerance(imu, CALIBRATED)) < 3 * DEG


def test_a_drift_that_its_part_may_have_is_within_the_limit():
    # three minutes of a recorded MPU-6050 at rest, over which it warmed by 0.1 degrees Celsius: 0.6 to 1.4 degrees by the axis
    pair = [look(0, 50.0, rested_s=10.0), look(180, 50.0, celsius=20.1)]
    assert misclosure_limit_rad(pair, look(90, 50.0), AIM, tolerance("MPU-6050")) > 1.4 * DEG


def test_the_limit_of_a_misclosure_grows_with_the_time_between_and_the_warming():
    limits = [misclosure_limit_rad([look(0, 0.0), look(t, 0.0, celsius=c)], look(1, 0.0), AIM, tolerance())
              for t, c in ((20, 20.0), (60, 20.0), (60, 22.0), (300, 22.0))]  # fmt: skip
    assert limits == sorted(limits)


def test_a_single_backsight_cannot_disagree():
    assert misclosure_limit_rad([look(0, 50.0)], look(10, 50.0), AIM, tolerance()) == np.inf


def test_a_part_that_nobody_knows_counts_as_the_worse():
    assert tolerance("none") == tolerance("MPU-6050")
    assert tolerance("LSM6DS3").zero_rad < tolerance("MPU-6050").zero_rad


def test_what_the_calibration_states_of_its_elevations_counts():
    assert tolerance(calibration=CALIBRATED).zero_rad / DEG == pytest.approx(0.02)
    six_faces = tolerance(calibration=CALIBRATED | {"sigma_elevation_zero_deg": 0.7})
    assert six_faces.zero_rad / DEG == pytest.approx(0.7)


def test_a_calibrated_gyroscope_does_not_level_an_accelerometer():
    half = tolerance(calibration={"id": "turns", "gyro_matrix": CALIBRATED["gyro_matrix"]})
    assert half.zero_rad == tolerance().zero_rad
    assert half.scale == tolerance(calibration=CALIBRATED).scale
