"""Sources of uncertainty, their propagation, and intervals that cover."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from apexfix.reduce.uncertainty import Sigmas, in_quadrature, mean_fall_rad, reading_sigmas, shares

APEX_M = np.array([30.0, -20.0, 180.0])
STATION_M = np.array([[200.0, 40.0, 1.5], [-90.0, -130.0, 3.0]])
DRIFT_M_S = 3.0


def bench(name):
    """Return a module of bench/, whose cases are tested here in small."""
    path = Path(__file__).parents[2] / "bench" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def stated(**given):
    fields = dict.fromkeys(Sigmas.__slots__, 0.0) | given
    return Sigmas(**{name: np.full((1, len(STATION_M)), value) for name, value in fields.items()})


def readings(apex_m, station_m):
    """Azimuth and elevation by the school formula, (..., 2)."""
    east, north, up = np.moveaxis(apex_m - station_m, -1, 0)
    return np.stack([np.arctan2(east, north), np.arctan2(up, np.hypot(east, north))], axis=-1)


def test_a_survey_error_moves_azimuth_and_elevation_independently_and_by_as_much_as_simulated():
    moved = STATION_M + np.random.default_rng(1).normal(0, 0.5, (200_000, 2, 3))
    seen = readings(APEX_M, moved) - readings(APEX_M, STATION_M)
    survey = reading_sigmas(APEX_M[None], STATION_M, stated(sigma_position_m=0.5), DRIFT_M_S)["survey"][0]
    assert seen.std(axis=0) == pytest.approx(survey, rel=0.01)
    for n in range(2):
        assert abs(np.corrcoef(seen[:, n].T)[0, 1]) < 0.01


def test_presses_about_the_apex_scatter_and_fall_as_simulated():
    draw, count, sigma_s = np.random.default_rng(2), 400_000, 0.4
    press_s = draw.normal(0, sigma_s, (count, 2, 1))
    apex = APEX_M + np.concatenate([draw.normal(0, DRIFT_M_S, (count, 1, 2)) * press_s, -9.80665 / 2 * press_s**2], axis=-1)
    seen = readings(apex, STATION_M) - readings(APEX_M, STATION_M)
    timing = reading_sigmas(APEX_M[None], STATION_M, stated(sigma_time_s=sigma_s), DRIFT_M_S)["timing"][0]
    assert seen.std(axis=0) == pytest.approx(timing, rel=0.02)
    fall = mean_fall_rad(APEX_M[None], STATION_M, np.full((1, 2), sigma_s))[0]
    assert -seen[..., 1].mean(axis=0) == pytest.approx(fall, rel=0.03)


def test_a_station_under_the_apex_has_finite_sigmas():
    below = np.array([[30.0, -20.0, 1.5]])
    one = Sigmas(*(np.full((1, 1), 0.01) for _ in Sigmas.__slots__))
    assert all(np.isfinite(part).all() for part in reading_sigmas(APEX_M[None], below, one, DRIFT_M_S).values())


def test_shares_of_the_sources_add_up_in_quadrature():
    parts = {"pointing": np.array([[0.01, 0.02]]), "survey": np.array([[0.03, 0.0]])}
    gain = np.array([[100.0, 50.0]])
    own = shares(gain, parts)
    whole = shares(gain, {"all": in_quadrature(parts)})["all"]
    assert np.hypot(own["pointing"], own["survey"]) == pytest.approx(whole)
    assert own["survey"] == pytest.approx(3.0)  # 0.03 rad times 100 m a radian


def test_a_missing_reading_contributes_nothing():
    assert shares(np.array([[0.0, 50.0]]), {"pointing": np.array([[np.nan, 0.02]])}) == {"pointing": pytest.approx(1.0)}


COVERAGE = bench("interval_coverage")
DAYS = 4000
# Four standard errors of a share of 4000 days, so that a true 95 % fails once in 16 000 runs of a case; the seed is fixed.
TOLERANCE = 4 * np.sqrt(0.95 * 0.05 / DAYS)


@pytest.mark.parametrize("case", COVERAGE.CASES, ids=lambda case: case.name)
def test_ninety_five_per_cent_of_intervals_hold_the_truth(case):
    days = 1500 if case.prior else DAYS  # each of these is solved by itself
    held, below, above = COVERAGE.coverage(case, days)["apexfix"]
    assert held == pytest.approx(0.95, abs=TOLERANCE * np.sqrt(DAYS / days))
    if not case.prior:  # two elevations tell a lower bound better than an upper one, by their nature
        assert below == pytest.approx(0.025, abs=TOLERANCE)
        assert above == pytest.approx(0.025, abs=TOLERANCE)


def test_first_order_is_kept_where_it_holds_and_left_where_it_does_not():
    kept = {case.name: COVERAGE.coverage(case, 200)["kept first order"] for case in COVERAGE.CASES}
    assert kept["3 stations, L = h"] > 0.95
    assert kept["3 stations, L = 0.12 h, 1 deg"] == 0.0


def test_first_order_alone_misses_steep_heights_on_one_side():
    case = next(case for case in COVERAGE.CASES if case.name == "2 stations, L = 0.12 h, 1 deg")
    _, below, above = COVERAGE.coverage(case, DAYS)["first order"]
    assert below > 0.04
    assert above < 0.01
