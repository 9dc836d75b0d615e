"""The simulated stand, against spherical trigonometry and what is known of magnets and their encoders."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from apexfix.sim.stand import NO_MAGNET, RESIDUAL_RAD, Stand, aimed, beside, calibration, counts, field_angle, mounted, pointed
from apexfix.units import DEG

ROUND_RAD = np.linspace(0, 2 * np.pi, 360, endpoint=False)


def sight(stand, turn_rad, above_rad):
    east, north, up = pointed(stand, turn_rad, above_rad).apply([1.0, 0.0, 0.0]).T
    return np.mod(np.arctan2(east, north), 2 * np.pi), np.arcsin(up)


def test_an_upright_stand_points_where_its_table_is_turned_and_its_tube_raised():
    azimuth, elevation = sight(Stand(), np.array([0.3, 4.0]), np.array([0.1, 1.2]))
    assert azimuth == pytest.approx([0.3, 4.0])
    assert elevation == pytest.approx([0.1, 1.2])


def test_a_leaning_stand_looks_down_where_it_leans_and_up_on_the_other_side():
    stand = Stand(lean_rad=1 * DEG, towards_rad=90 * DEG)
    _, elevation = sight(stand, np.array([90.0, 270.0, 0.0]) * DEG, 0.0)
    assert elevation / DEG == pytest.approx([-1.0, 1.0, 0.0], abs=1e-9)


def test_an_axis_out_of_square_enters_the_azimuth_by_the_tangent_of_the_elevation():
    # W. Schofield and M. Breach, Engineering Surveying (from memory): the error of a tilted transit axis is i tan E
    azimuth, _ = sight(Stand(beside_square_rad=0.1 * DEG), 1.0, 60 * DEG)
    assert abs(float(azimuth[0]) - 1.0) / DEG == pytest.approx(0.1 * np.tan(60 * DEG), abs=1e-4)


def test_a_tube_out_of_square_enters_the_azimuth_by_the_secant_of_the_elevation():
    # the same source: the error of collimation is c sec E
    azimuth, _ = sight(Stand(beside_tube_rad=0.1 * DEG), 1.0, 60 * DEG)
    assert abs(float(azimuth[0]) - 1.0) / DEG == pytest.approx(0.1 / np.cos(60 * DEG), abs=1e-4)


def test_what_is_aimed_at_is_pointed_at():
    stand = Stand(lean_rad=2 * DEG, towards_rad=1.0, beside_square_rad=0.3 * DEG, beside_tube_rad=-0.2 * DEG)
    for wanted in ((0.3, 0.1), (4.0, 1.2)):
        azimuth, elevation = sight(stand, *aimed(stand, *wanted))
        assert (float(azimuth[0]), float(elevation[0])) == pytest.approx(wanted, abs=1e-9)


def test_a_magnet_on_its_axis_reads_true_and_one_beside_it_by_a_wave_once_and_twice_round():
    assert np.angle(np.exp(1j * (field_angle(Stand(), ROUND_RAD) - ROUND_RAD))) == pytest.approx(np.zeros(360), abs=1e-12)
    for chip_mm, magnet_mm, harmonic in (((0.2, 0.0), (0.0, 0.0), 2), ((0.2, 0.0), (0.05, 0.0), 2), ((0.05, 0.0), (0.2, 0.0), 1)):
        error = np.angle(np.exp(1j * (field_angle(Stand(chip_mm=chip_mm, magnet_mm=magnet_mm), ROUND_RAD) - ROUND_RAD)))
        waves = np.abs(np.fft.rfft(error))[1:5]
        assert int(np.argmax(waves)) + 1 == harmonic


def test_an_encoder_counts_4096_steps_a_turn_and_none_without_a_magnet():
    rng = np.random.default_rng(1)
    seen = counts(rng, Stand(), ROUND_RAD)
    assert (seen.min() >= 0, seen.max() < 4096) == (True, True)
    off = (seen / 4096 * 360 - ROUND_RAD / DEG + 180) % 360 - 180
    assert np.std(off) == pytest.approx(np.hypot(0.088 / np.sqrt(12), 0.015), rel=0.2)  # AS5600 data sheet: step and noise
    assert set(counts(rng, Stand(magnet=False), ROUND_RAD)) == {NO_MAGNET}


def test_a_place_beside_an_axis_is_as_far_from_it_as_was_said():
    assert np.hypot(*beside(np.random.default_rng(2), 0.3)) == pytest.approx(0.3)


def test_a_stand_that_carries_the_tube_keeps_every_sight_and_turns_as_the_azimuth_does():
    rng = np.random.default_rng(3)
    held = Rotation.from_euler("ZYX", rng.uniform([-3, -1.4, -0.2], [3, 0.1, 0.2], (50, 3)))
    stand = Stand(lean_rad=1 * DEG, towards_rad=2.0)
    turn, carried = mounted(stand, held)
    assert carried.apply([1.0, 0.0, 0.0]) == pytest.approx(held.apply([1.0, 0.0, 0.0]))
    upright, _ = mounted(Stand(), held)
    east, north, _ = held.apply([1.0, 0.0, 0.0]).T
    assert np.angle(np.exp(1j * (upright - np.arctan2(east, north)))) == pytest.approx(np.zeros(50), abs=1e-12)
    assert np.abs(turn - upright).max() < 10 * DEG  # at 80 degrees a degree of lean is 5.7 of azimuth


def test_an_assumed_calibration_of_an_encoder_is_wrong_by_its_stated_residual():
    stand, errors = Stand(chip_mm=(0.2, 0.1), magnet_mm=(0.1, -0.2), zero_rad=1.0), []
    reading = field_angle(stand, ROUND_RAD)
    for seed in range(30):
        found = calibration(np.random.default_rng(seed), stand)["coefficients_deg"]
        waves = [wave(k * reading) for k in (1, 2, 3, 4) for wave in (np.sin, np.cos)]
        error = np.angle(np.exp(1j * (reading + np.column_stack(waves) @ found * DEG - ROUND_RAD)))
        errors.append(np.std(error))
    assert np.sqrt(np.mean(np.square(errors))) / RESIDUAL_RAD == pytest.approx(2.0, rel=0.15)  # eight waves, half a square each
