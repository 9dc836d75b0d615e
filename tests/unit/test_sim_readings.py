"""Quick readings are what they say they are."""

import numpy as np
import pytest

from apexfix.sim.readings import Noise, simulate_readings, simulate_track, wander
from apexfix.units import DEG, STANDARD_GRAVITY

STATIONS = np.array([[100.0, 0.0, 0.0], [0.0, -100.0, 0.0], [-60.0, 80.0, 0.0]])
APEX = np.array([[0.0, 0.0, 100.0]])
PERFECT = Noise(pointing_rad=0.0)


def test_perfect_readings_of_an_apex_over_the_pad_look_at_it():
    # Exact: 100 m up, 100 m away is 45 degrees; the pad lies west, north and (60, -80) away: 270, 0, 143.1301 degrees (a 3-4-5
    # triangle).
    readings = simulate_readings(np.random.default_rng(1), STATIONS, APEX, PERFECT)
    assert readings.elevation_rad[0] / DEG == pytest.approx([45.0, 45.0, 45.0])
    assert readings.azimuth_rad[0] / DEG == pytest.approx([270.0, 0.0, 143.1301], abs=1e-4)


def test_the_spread_of_many_readings_is_the_sigma_that_was_asked_for():
    apexes = np.tile(APEX, (4000, 1))
    readings = simulate_readings(np.random.default_rng(2), STATIONS, apexes, Noise(pointing_rad=0.5 * DEG))
    # The sigma of a sigma from 4000 readings is 1.1 %; four of them. Azimuth is wider by 1 / cos 45 degrees.
    assert readings.elevation_rad.std(axis=0) / DEG == pytest.approx([0.5] * 3, rel=0.045)
    assert np.unwrap(readings.azimuth_rad, axis=0).std(axis=0) / DEG == pytest.approx([0.5 * 2**0.5] * 3, rel=0.045)


def test_a_zero_error_is_common_to_all_flights_of_a_station():
    apexes = np.tile(APEX, (5, 1))
    readings = simulate_readings(np.random.default_rng(3), STATIONS, apexes, Noise(pointing_rad=0.0, elevation_zero_rad=1 * DEG))
    assert np.ptp(readings.elevation_rad, axis=0) == pytest.approx([0.0] * 3, abs=1e-12)
    assert np.ptp(readings.elevation_rad[0]) > 1e-3


def test_a_late_press_sees_the_model_fallen_and_drifted():
    noise = Noise(pointing_rad=0.0, press_s=1.0, drift_m_s=3.0)
    readings = simulate_readings(np.random.default_rng(4), STATIONS, APEX, noise)
    late = readings.press_s[0, 0]
    place = np.array([0.0, 0.0, 100.0]) + readings.drift_m_s[0] * late - [0.0, 0.0, STANDARD_GRAVITY / 2 * late**2]
    sight = place - STATIONS[0]
    assert np.tan(readings.elevation_rad[0, 0]) == pytest.approx(sight[2] / np.hypot(sight[0], sight[1]))


def test_a_wandering_hand_has_its_sigma_and_its_memory():
    values = wander(np.random.default_rng(5), 40_000, (2.0, 0.5))
    # 2000 s at a correlation time of 0.5 s are some 2000 independent values: sigma good to 2 %.
    assert values.std() == pytest.approx(2.0, rel=0.08)
    assert np.corrcoef(values[:-10], values[10:])[0, 1] == pytest.approx(np.exp(-1), abs=0.08)  # 10 steps of 0.05 s


def test_a_track_without_noise_is_highest_at_the_apex():
    track = simulate_track(np.random.default_rng(6), STATIONS[0], (APEX[0], np.zeros(3)), (0.0, 0.5), (-3.0, 1.0))
    assert track.time_s[np.argmax(track.elevation_rad)] == pytest.approx(0.0, abs=1e-9)
    assert track.elevation_rad.max() / DEG == pytest.approx(45.0)
