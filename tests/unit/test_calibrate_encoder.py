"""The encoder's eccentricity: a magnet's field beside its axis, computed as physics has it, and the harmonics that take it out."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from apexfix.calibrate.encoder import SIGMA_STEP_RAD, STEPS, fit_eccentricity, reading_rad
from apexfix.errors import CalibrationError
from apexfix.units import DEG

_PLACE = Path(__file__).parents[2] / "bench" / "azimuth.py"
_SPEC = importlib.util.spec_from_file_location("bench_azimuth_encoder", _PLACE)
bench = sys.modules["bench_azimuth_encoder"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(bench)

MARKS_RAD = np.arange(0, 360, 30) * DEG


def apart(a, b):
    return (a - b + np.pi) % (2 * np.pi) - np.pi


def free_of_zero(error):
    return error - np.angle(np.mean(np.exp(1j * error)))


@pytest.mark.parametrize(
    ("sensor_mm", "runout_mm", "raw_deg", "left_deg"), [(0.3, 0.0, 0.4, 0.01), (0.3, 0.3, 1.0, 0.025), (0.5, 0.5, 2.5, 0.2)]
)
def test_two_harmonics_take_out_a_magnet_beside_its_axis(sensor_mm, runout_mm, raw_deg, left_deg):
    # what is left goes with the fourth power of the distance over the height: the harmonics beyond the second
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    found = fit_eccentricity(bench.dipole_reading(MARKS_RAD, sensor_mm, runout_mm), MARKS_RAD, 0.1 * DEG)
    reading = bench.dipole_reading(angle, sensor_mm, runout_mm)
    assert np.abs(free_of_zero(apart(reading, angle))).max() > raw_deg * DEG
    assert np.abs(apart(found.angle_rad(reading), angle)).max() < left_deg * DEG


def test_a_reading_is_a_share_of_a_turn_and_its_step_0_088_degrees():
    # AS5600 data sheet: 12 bits, 4096 steps a turn
    assert reading_rad(np.array([0, 1024, 4095])) / DEG == pytest.approx([0.0, 90.0, 359.912], abs=1e-3)
    assert STEPS == 4096
    step_deg = SIGMA_STEP_RAD / DEG
    assert step_deg == pytest.approx(0.0254, abs=1e-4)  # 0.0879 over the root of twelve


def test_the_eccentricity_makes_an_encoder_off_its_axis_ten_times_better():
    rng = np.random.default_rng(11)
    raw, fitted, sigma = np.array([bench.encoder_errors(rng, 0.3) for _ in range(150)]).T
    assert np.std(raw) > 8 * np.std(fitted)
    assert np.mean((fitted / sigma) ** 2) == pytest.approx(1.0, abs=0.4)  # what is left beyond the second harmonic included


def test_the_marks_may_begin_anywhere_and_cross_the_zero():
    reading = np.mod(MARKS_RAD + 5.0 + 0.02 * np.sin(MARKS_RAD), 2 * np.pi)
    found = fit_eccentricity(reading, MARKS_RAD, 0.1 * DEG)
    assert np.abs(apart(found.angle_rad(reading), MARKS_RAD)).max() < 0.01 * DEG


def test_the_stated_sigma_of_an_angle_turned_is_that_of_many_calibrations():
    rng = np.random.default_rng(3)
    start, end = np.array([0.3]), np.array([2.0])
    errors, stated = [], 0.0
    for _ in range(1500):
        turned = rng.uniform(0, 2 * np.pi)  # where the steps fall
        counts = np.rint(np.mod(MARKS_RAD + turned, 2 * np.pi) / (2 * np.pi) * STEPS)
        found = fit_eccentricity(reading_rad(counts), MARKS_RAD + rng.normal(0, 0.2 * DEG, 12), 0.2 * DEG)
        ends = reading_rad(np.rint(np.concatenate([start, end]) / (2 * np.pi) * STEPS + rng.uniform(-0.5, 0.5, 2)))
        angles = found.angle_rad(ends)
        errors.append(float(apart(angles[1] - angles[0], end - start)[0]))
        stated = float(found.sigma_rad(start, end)[0]) / found.raised
    assert np.std(errors) == pytest.approx(stated, rel=0.1)


def test_marks_that_scatter_raise_the_sigmas():
    rng = np.random.default_rng(1)
    found = fit_eccentricity(MARKS_RAD, MARKS_RAD + rng.normal(0, 1.0 * DEG, 12), 0.1 * DEG)
    assert found.raised == pytest.approx(10, rel=0.6)


@pytest.mark.parametrize(
    ("readings_deg", "marks_deg", "message"),
    [
        (range(0, 360, 60), range(0, 360, 60), "6 marks seen, 8 or more"),
        (range(0, 240, 20), range(0, 240, 20), "no mark in 140° of the turn"),
        (range(360, 0, -30), range(0, 360, 30), "run the other way"),
    ],
)
def test_what_finds_no_eccentricity_is_refused_with_what_to_do(readings_deg, marks_deg, message):
    with pytest.raises(CalibrationError, match=message):
        fit_eccentricity(np.array(readings_deg) * DEG, np.array(marks_deg) * DEG, 0.1 * DEG)
