"""Tests of readings, the search for wrong ones, and what cannot be seen."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.reduce.flight import search
from apexfix.reduce.lean import Lean
from apexfix.reduce.options import Options
from apexfix.reduce.robust import (
    CRITICAL_W,
    NON_CENTRALITY,
    detectable_sigmas,
    global_test,
    redundancies,
    snooping,
    station_influence_m,
)


def bench(name):
    path = Path(__file__).parents[2] / "bench" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def adjusted(jacobian, reading):
    """Return residuals and covariance of the textbook adjustment of whitened readings."""
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    return reading - jacobian @ covariance @ jacobian.T @ reading, covariance


@given(st.integers(0, 1000), st.integers(2, 8))
def test_redundancies_add_up_to_the_spare_readings(seed, stations):
    jacobian = np.random.default_rng(seed).normal(size=(2 * stations, 3))
    _, covariance = adjusted(jacobian, np.zeros(2 * stations))
    assert redundancies(jacobian, covariance).sum() == pytest.approx(2 * stations - 3)


def test_w_of_healthy_readings_is_standard_normal_and_one_in_a_thousand_is_accused():
    draw = np.random.default_rng(1)
    jacobian = draw.normal(size=(6, 3))
    many = draw.normal(size=(100_000, 6))
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    residual = many - many @ jacobian @ covariance @ jacobian.T
    w = snooping(residual, redundancies(jacobian, covariance))
    assert w.std(axis=0) == pytest.approx(np.ones(6), abs=0.02)
    accused = np.mean(np.abs(w) > CRITICAL_W, axis=0)
    assert accused == pytest.approx(np.full(6, 0.001), abs=4 * np.sqrt(0.001 / 100_000))


def test_a_blunder_of_the_detectable_size_is_noticed_four_times_in_five():
    draw = np.random.default_rng(2)
    jacobian = draw.normal(size=(6, 3))
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    redundancy = redundancies(jacobian, covariance)
    many = draw.normal(size=(20_000, 6))
    many[:, 2] += detectable_sigmas(redundancy)[2]
    w = snooping(many - many @ jacobian @ covariance @ jacobian.T, redundancy)
    assert np.mean(np.abs(w[:, 2]) > CRITICAL_W) == pytest.approx(0.80, abs=4 * np.sqrt(0.16 / 20_000))
    assert pytest.approx(17.075, abs=0.02) == NON_CENTRALITY


def test_a_reading_that_nothing_checks_is_never_accused_and_its_blunders_are_never_seen():
    jacobian = np.array([[1.0, 0, 0], [0, 1, 0], [0, 1, 0], [0, 0, 1]])
    residual, covariance = adjusted(jacobian, np.array([50.0, 1.0, -1.0, 50.0]))
    redundancy = redundancies(jacobian, covariance)
    assert snooping(residual, redundancy)[[0, 3]].tolist() == [0, 0]
    assert np.isinf(detectable_sigmas(redundancy)[[0, 3]]).all()


def test_nothing_to_spare_passes_every_test():
    assert global_test(1e6, 0) == 1.0


def test_the_influence_of_a_station_is_the_change_when_the_adjustment_is_repeated_without_it():
    draw = np.random.default_rng(3)
    jacobian, reading = draw.normal(size=(8, 3)), draw.normal(size=8) * 3
    residual, covariance = adjusted(jacobian, reading)
    height = (covariance @ jacobian.T @ reading)[2]
    for station, change in enumerate(station_influence_m(residual, jacobian, covariance)):
        rest = np.delete(np.arange(8), [2 * station, 2 * station + 1])
        without = np.linalg.lstsq(jacobian[rest], reading[rest], rcond=None)[0][2]
        assert change == pytest.approx(without - height)


def test_a_station_that_cannot_be_spared_has_no_influence_to_show():
    jacobian = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 1]])
    residual, covariance = adjusted(jacobian, np.arange(4.0))
    assert np.isnan(station_influence_m(residual, jacobian, covariance)).all()


BLUNDERS = bench("blunder_detection")
FLIGHTS = 60


@pytest.mark.parametrize("case", BLUNDERS.LAYOUTS, ids=lambda case: case.name)
def test_the_wrong_reading_of_three_stations_is_named_and_the_height_stays_in_its_interval(case):
    found = BLUNDERS.detection(case, FLIGHTS, 10)
    # at least 95 % is asked for; of 60 flights a true 95 % gives 90 % or less once in ten runs, the seed is fixed
    assert found["named"] >= 0.95
    # 95 % intervals: four standard errors of 60 flights are 11 %
    assert found["inside"] >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / FLIGHTS)


def test_healthy_readings_are_hardly_ever_left_out():
    options = Options()
    flights = BLUNDERS.days_of.simulated(BLUNDERS.LAYOUTS[0], 1000, options, seed=7)
    accused = sum(not fit.kept.all() for fit in BLUNDERS.fits(flights, options))
    assert accused <= 20  # six tests of one in a thousand each and the global one: 7 of 1000 expected, 20 is five sigmas more


def test_two_stations_can_name_nothing():
    case = BLUNDERS.days_of.Case("pair", BLUNDERS.days_of.corner(200, 200), (0, 0, 200))
    batch, _ = BLUNDERS.blundered(case, 20, 30, Options(), 5)
    assert all(fit.kept.all() for fit in BLUNDERS.fits(batch, Options()))


def test_a_plausible_drift_decides_between_two_that_accuse_each_other():
    # A and B agree on an apex near the pad, A and C on one far out; each pair is as consistent as the other.
    stations = np.array([[0.0, -200, 0], [200, 0, 0], [150, 150, 0]])
    near, far = np.array([0.0, 0, 200]), np.array([0.0, 600, 800])  # both on the line of sight of A
    targets = np.array([near, near, far])
    east, north, up = (targets - stations).T
    azimuth, elevation = np.arctan2(east, north)[None], np.arctan2(up, np.hypot(east, north))[None]
    sigmas = BLUNDERS.days_of.Sigmas(*(np.full((1, 3), value) for value in (0.01, 0.01, 0.005, 0.005, 0.1, 0.0)))
    batch = BLUNDERS.Batch(("A", "B", "C"), stations, azimuth, elevation, sigmas)
    (found,), (without_belief,) = search(batch, Options()), search(batch, Options(drift=Lean(slope=100.0, floor_m=1e5)))
    assert len(without_belief.rivals) == 1
    assert found.rivals == ()
    assert found.kept.reshape(3, 2).tolist() == [[True, True], [True, True], [False, False]]
