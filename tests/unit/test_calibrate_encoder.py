"""The encoder's eccentricity: a magnet's field beside its axis, computed as physics has it, and the harmonics that take it out."""

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from apexfix.calibrate.encoder import (
    SIGMA_STEP_RAD,
    STEPS,
    carried_eccentricity,
    encoder_fields,
    fit_eccentricity,
    nominal_eccentricity,
    reading_rad,
)
from apexfix.errors import CalibrationError
from apexfix.sim.stand import Stand, field_angle
from apexfix.units import DEG

_PLACE = Path(__file__).parents[2] / "bench" / "stand_axis.py"
_SPEC = importlib.util.spec_from_file_location("bench_stand_axis", _PLACE)
bench = sys.modules["bench_stand_axis"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(bench)

MARKS_RAD = np.arange(0, 360, 30) * DEG


def apart(a, b):
    return (a - b + np.pi) % (2 * np.pi) - np.pi


def free_of_zero(error):
    return error - np.angle(np.mean(np.exp(1j * error)))


@pytest.mark.parametrize(
    ("chip_mm", "magnet_mm", "raw_deg", "left_deg"), [(0.3, 0.0, 0.4, 0.02), (0.3, 0.3, 1.0, 0.02), (0.5, 0.5, 2.5, 0.05)]
)
def test_the_harmonics_take_out_a_magnet_beside_its_axis(chip_mm, magnet_mm, raw_deg, left_deg):
    # met exactly, the marks leave what the priors shrink, and the harmonics beyond the fourth
    stand = Stand(chip_mm=(chip_mm, 0.0), magnet_mm=(0.0, magnet_mm))
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    found = fit_eccentricity(field_angle(stand, MARKS_RAD), MARKS_RAD, 0.01 * DEG).eccentricity
    reading = field_angle(stand, angle)
    assert np.abs(free_of_zero(apart(reading, angle))).max() > raw_deg * DEG
    assert np.abs(free_of_zero(apart(found.angle_rad(reading), angle))).max() < left_deg * DEG


def test_a_reading_is_a_share_of_a_turn_and_its_step_0_088_degrees():
    # AS5600 data sheet: 12 bits, 4096 steps a turn
    assert reading_rad(np.array([0, 1024, 4095])) / DEG == pytest.approx([0.0, 90.0, 359.912], abs=1e-3)
    assert STEPS == 4096
    step_deg = SIGMA_STEP_RAD / DEG
    assert step_deg == pytest.approx(0.0254, abs=1e-4)  # 0.0879 over the root of twelve


@pytest.mark.parametrize("beside_mm", bench.BESIDE_MM)
def test_the_stated_sigma_of_an_angle_turned_is_honest_however_far_beside_the_axis_the_magnet_runs(beside_mm):
    # the mean of 400 squares of normal errors over their sigmas is within 0.18 of 1 in 99 of 100 (chi-square tables)
    *_, judged = bench.encoder_row(beside_mm, 400)
    assert 0.78 < judged < 1.25


@pytest.mark.parametrize("high_deg", [10.0, 60.0])
def test_the_stated_sigma_of_a_marks_azimuth_is_honest_low_and_high(high_deg):
    # the mean of 200 squares of normal errors over their sigmas is within 0.26 of 1 in 99 of 100 (chi-square tables)
    *_, judged = bench.mark_row(bench.CASES[0], high_deg, 200)
    assert 0.74 < judged < 1.26


def test_the_marks_make_an_encoder_off_its_axis_ten_times_better_and_a_centred_one_hardly_worse():
    raw_deg, fitted_deg, *_ = bench.encoder_row(0.3, 100)
    assert raw_deg > 8 * fitted_deg
    raw_deg, fitted_deg, *_ = bench.encoder_row(0.0, 100)
    assert raw_deg < fitted_deg < 0.15  # plain least squares of two harmonics leave 0.175


def test_the_nominal_sigma_is_that_of_an_encoder_three_tenths_of_a_millimetre_beside_its_axis():
    rng = np.random.default_rng(4)
    none, errors, sigmas = nominal_eccentricity(), [], []
    for _ in range(200):
        stand = bench.drawn(rng, 0.3, 0.0)
        turned = rng.uniform(0, 2 * np.pi, 2)
        ends = field_angle(stand, turned)
        errors.append(float(apart(np.diff(none.angle_rad(ends)), np.diff(turned))[0]))
        sigmas.append(float(none.sigma_rad(ends[0], ends[1])))
    assert 0.7 < np.mean(np.square(errors) / np.square(sigmas)) < 1.3


def test_the_marks_may_begin_anywhere_and_cross_the_zero():
    reading = np.mod(MARKS_RAD + 5.0 + 0.02 * np.sin(MARKS_RAD), 2 * np.pi)
    found = fit_eccentricity(reading, MARKS_RAD, 0.01 * DEG).eccentricity
    assert np.abs(free_of_zero(apart(found.angle_rad(reading), MARKS_RAD))).max() < 0.02 * DEG


def test_marks_that_scatter_raise_the_sigmas():
    rng = np.random.default_rng(1)
    calm = fit_eccentricity(MARKS_RAD, MARKS_RAD + rng.normal(0, 0.1 * DEG, 12), 0.1 * DEG)
    wild = fit_eccentricity(MARKS_RAD, MARKS_RAD + rng.normal(0, 1.0 * DEG, 12), 0.1 * DEG)
    assert calm.raised == 1.0
    assert wild.raised > 3
    assert wild.eccentricity.sigma_rad(0.3, 2.0) > 3 * calm.eccentricity.sigma_rad(0.3, 2.0)


def test_what_a_calibration_says_of_the_encoder_is_read_as_it_was_found():
    rng = np.random.default_rng(2)
    found = fit_eccentricity(bench.read(rng, bench.drawn(rng, 0.3, 0.0), MARKS_RAD), MARKS_RAD, 0.2 * DEG).eccentricity
    text = json.dumps({"encoder": encoder_fields(found)}, separators=(",", ":"))
    assert len(text) < 1000  # beside the rest it must fit the 2200 bytes that a unit carries (docs/protocol.md, section 3)
    again = carried_eccentricity(json.loads(text))
    ends = np.array([0.3, 2.0])
    assert again.angle_rad(ends) == pytest.approx(found.angle_rad(ends), abs=0.001 * DEG)
    assert again.sigma_rad(0.3, 2.0) == pytest.approx(found.sigma_rad(0.3, 2.0), rel=0.01)
    assert carried_eccentricity({}) is None


@pytest.mark.parametrize(
    "fields",
    [
        7,
        [],
        {"coefficients_deg": [0.0] * 8},
        {"coefficients_deg": [0.0] * 4, "covariance_deg2": [[0.0] * 4] * 4},
        {"coefficients_deg": ["x"] * 8, "covariance_deg2": [[0.0] * 8] * 8},
        {"coefficients_deg": [float("nan")] * 8, "covariance_deg2": [[0.0] * 8] * 8},
        {"coefficients_deg": [90.0] * 8, "covariance_deg2": [[0.0] * 8] * 8},
        {"coefficients_deg": [0.0] * 8, "covariance_deg2": (-np.eye(8)).tolist()},
        {"coefficients_deg": [0.0] * 8, "covariance_deg2": np.triu(np.ones((8, 8))).tolist()},
        {"coefficients_deg": [10**400] * 8, "covariance_deg2": [[0.0] * 8] * 8},
    ],
)
def test_what_cannot_be_an_eccentricity_is_refused(fields):
    with pytest.raises(CalibrationError, match="combine the calibration again"):
        carried_eccentricity({"encoder": fields})


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
