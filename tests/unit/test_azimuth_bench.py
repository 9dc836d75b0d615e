"""The azimuth of a mark: a small share of bench/azimuth.py, simulated parts and the unit's own filter on its interpreter."""

import importlib.util
import sys
from pathlib import Path

import pytest

from apexfix.sim import imu
from apexfix.units import DEG

_PLACE = Path(__file__).parents[2] / "bench" / "azimuth.py"
_SPEC = importlib.util.spec_from_file_location("bench_azimuth", _PLACE)
bench = sys.modules["bench_azimuth"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(bench)

UNITS = 6
SHORT = bench.Plan(away_s=45.0)
NAMES = [case.name for case in bench.CASES]


@pytest.fixture(scope="module")
def outcomes(micropython):
    """Per case, over both parts."""
    parts = enumerate((imu.MPU6050, imu.LSM6DSOX))
    found = [bench.drawn(part, SHORT, (2026, kind, n)) for kind, part in parts for n in range(UNITS)]
    return dict(zip(NAMES, zip(*found, strict=True), strict=True))


def test_two_backsights_and_a_calibrated_unit_hold_the_azimuth_of_a_mark(outcomes):
    # 60 units of the bench after five minutes: 0.27 (MPU-6050) and 0.25 (LSM6DSOX) degrees rms
    good, uncalibrated = outcomes[NAMES[0]], outcomes[NAMES[2]]
    assert bench.rms_deg(good) < 0.3
    assert bench.rms_deg(uncalibrated) > 3 * bench.rms_deg(good)


@pytest.mark.parametrize("name", NAMES)
def test_the_stated_sigma_of_the_zero_covers_its_errors_and_is_not_idle(outcomes, name):
    # twelve squares of a normal error over its sigma: their mean is within these limits 99 % of the time (chi-square tables)
    assert 0.256 < bench.over_sigma(outcomes[name]) < 2.358


def test_backsights_of_an_unmoved_target_are_within_the_limit_and_a_pushed_stand_is_not(outcomes):
    for one in outcomes[NAMES[0]]:
        assert abs(one.misclosure_rad) < one.limit_rad < 3 * DEG
