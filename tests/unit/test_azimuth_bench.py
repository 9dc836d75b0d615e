"""The azimuth of a mark: a small share of bench/azimuth.py, simulated parts and the unit's own filter on its interpreter."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from apexfix.attitude import misclosure_limit_rad
from apexfix.sim import imu
from apexfix.units import DEG

_PLACE = Path(__file__).parents[2] / "bench" / "azimuth.py"
_SPEC = importlib.util.spec_from_file_location("bench_azimuth", _PLACE)
bench = sys.modules["bench_azimuth"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(bench)

UNITS = 4
ELAPSED_S = bench.SECOND_S - bench.FIRST_S


@pytest.fixture(scope="module")
def outcomes(micropython):
    found = [bench.drawn(part, number) for part in (imu.MPU6050, imu.LSM6DSOX) for number in range(UNITS)]
    return dict(zip(bench.CASES, zip(*found, strict=True), strict=True))


def test_two_backsights_and_a_calibrated_scale_hold_the_azimuth_of_a_mark(outcomes):
    # 60 units of the bench: 0.27 (MPU-6050) and 0.25 (LSM6DSOX); eight units are known to a quarter or so
    good, _, uncalibrated, _, _ = (np.array([o.error_rad for o in found]) for found in outcomes.values())
    assert np.sqrt(np.mean(good**2)) < 0.3 * DEG
    assert np.sqrt(np.mean(uncalibrated**2)) > 3 * np.sqrt(np.mean(good**2))


def test_the_stated_sigma_of_the_zero_covers_its_errors(outcomes):
    found = outcomes[bench.CASES[0]]
    # eight squares of a normal error over its sigma: their mean is within these limits 99 % of the time (chi-square tables)
    assert 0.168 < bench.over_sigma(found) < 2.74


def test_a_stand_that_moved_between_the_backsights_is_noticed_and_an_unmoved_one_is_not(outcomes):
    limit = misclosure_limit_rad(bench.SIGMA_AIM_RAD, ELAPSED_S)
    drifts = [o.misclosure_rad for o in outcomes[bench.CASES[0]]]
    assert max(abs(drift) for drift in drifts) < limit
    assert min(abs(drift + 15 * DEG) for drift in drifts) > limit  # pushed by fifteen degrees while nobody looked
    # a minute apart, as at a launch, a push of two and a half is enough
    assert misclosure_limit_rad(bench.SIGMA_AIM_RAD, 60.0) < 2.5 * DEG
