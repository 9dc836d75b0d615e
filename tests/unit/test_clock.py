import re

import numpy as np
import pytest

from apexfix.clock import ClockKey, clocks, fit_clock
from apexfix.errors import ReductionError
from apexfix.wire import Exchange

KEY = ClockKey("e661", "9f3a01c2", 3)
UTC0_US = 1_800_000_000_000_000
HOUR_US = 3_600_000_000


def true_utc_us(t_us, drift, phase=None):
    """UTC of a unit whose second is 1 + drift of the host's; with a phase its rate swings by 0.7 ppm in six hours, as on a
    day that grows warm (0.5 ppm r.m.s.; common practice for crystals: a few ppm over 20 degrees Celsius)."""
    swing_us = 0.0 if phase is None else 0.7e-6 * 6 * HOUR_US / (2 * np.pi) * np.sin(2 * np.pi * t_us / (6 * HOUR_US) + phase)
    return UTC0_US + t_us + np.rint(t_us * drift + swing_us).astype(np.int64)


def exchange(t_us, drift, rng, step_us=0, slow_us=0, boot=3, mono_us=None, phase=None):
    """One exchange over a USB link whose delays are shared unevenly between the two directions."""
    there_us, back_us = rng.uniform(200, 3000, 2).astype(int)
    sent_us = int(true_utc_us(t_us, drift, phase))
    t1_us = sent_us - there_us - slow_us + step_us
    steady_us = t1_us - step_us - UTC0_US if mono_us is None else mono_us
    return Exchange("e661", "9f3a01c2", boot, t1_us, t_us, t_us + 200, sent_us + 200 + back_us + step_us, steady_us)


def group(start_us, drift, rng, n=8, **more):
    return [exchange(start_us + i * 20_000, drift, rng, **more) for i in range(n)]


def test_two_groups_three_hours_apart_map_within_5_ms_and_the_sigma_is_honest():
    """400 seeded days: crystals within 30 ppm, as boards are sold; stamps from before, between and after the groups."""
    rng = np.random.default_rng(5905)
    errors_s, normalised = [], []
    for _ in range(400):
        drift, phase = rng.uniform(-30e-6, 30e-6), rng.uniform(0, 2 * np.pi)
        clock = fit_clock(KEY, group(HOUR_US, drift, rng, phase=phase) + group(4 * HOUR_US, drift, rng, phase=phase))
        t_us = rng.integers(HOUR_US, 4 * HOUR_US, 20)
        utc_us, sigma_s = clock.utc_us(t_us)
        error_s = (utc_us - true_utc_us(t_us, drift, phase)) * 1e-6
        errors_s.extend(error_s)
        normalised.extend(error_s / sigma_s)
    assert np.max(np.abs(errors_s)) < 5e-3
    assert np.mean(np.abs(np.array(normalised)) < 1.96) >= 0.95
    assert 0.5 < np.std(normalised) < 1.1


def test_near_an_exchange_the_sigma_is_neither_too_small_nor_too_large():
    rng = np.random.default_rng(1)
    normalised = []
    for _ in range(2000):
        clock = fit_clock(KEY, [exchange(HOUR_US, 10e-6, rng)])
        utc_us, sigma_s = clock.utc_us(HOUR_US + 100)
        normalised.append((utc_us - UTC0_US - (HOUR_US + 100) * (1 + 10e-6)) * 1e-6 / sigma_s)
    assert 0.6 < np.std(normalised) < 1.1  # uniform delays: the offset's error is triangular, the bound is for the uniform


def test_one_group_alone_leaves_the_drift_to_its_prior():
    rng = np.random.default_rng(2)
    _, sigma_s = fit_clock(KEY, group(HOUR_US, 0.0, rng)).utc_us(np.array([HOUR_US, 2 * HOUR_US]))
    assert sigma_s[0] < 2e-3
    assert sigma_s[1] == pytest.approx(0.18, rel=0.02)  # 50 ppm of an hour


def test_one_bad_exchange_does_not_move_the_clock():
    rng = np.random.default_rng(3)
    bad = exchange(HOUR_US + 70_000, 20e-6, rng, step_us=700_000)  # fast, and wrong by 0.7 s
    slow = exchange(HOUR_US + 90_000, 20e-6, rng, slow_us=400_000)  # 0.4 s in one direction only
    clock = fit_clock(KEY, [*group(HOUR_US, 20e-6, rng), bad, slow, *group(4 * HOUR_US, 20e-6, rng)])
    utc_us, _ = clock.utc_us(2 * HOUR_US)
    assert abs(int(utc_us) - UTC0_US - 2 * HOUR_US * (1 + 20e-6)) < 5000
    assert clock.remarks == ()


@pytest.mark.parametrize("step_s", [-3600.0, -5.0, 0.3, 60.0, 1e6])
def test_a_stepped_host_clock_is_told_and_the_later_stretch_believed(step_s):
    rng = np.random.default_rng(4)
    step_us = round(step_s * 1e6)
    clock = fit_clock(KEY, group(HOUR_US, 20e-6, rng, step_us=-step_us) + group(4 * HOUR_US, 20e-6, rng))
    utc_us, sigma_s = clock.utc_us(4 * HOUR_US)
    assert abs(int(utc_us) - UTC0_US - 4 * HOUR_US * (1 + 20e-6)) < 5000
    told_s = float(re.search(r"stepped by (\S+) s", clock.remarks[0])[1])
    assert told_s == pytest.approx(step_s, abs=0.005)  # two exchanges of at most 6 ms each
    assert clock.utc_us(HOUR_US)[1] > 0.1  # the drift is the prior's again, and the sigma says so
    assert sigma_s < 5e-3


def test_most_exchanges_win_over_the_later_stretch():
    rng = np.random.default_rng(5)
    stepped = group(4 * HOUR_US, 0.0, rng, n=4, step_us=10_000_000)
    clock = fit_clock(KEY, group(HOUR_US, 0.0, rng) + stepped)
    assert abs(int(clock.utc_us(HOUR_US)[0]) - UTC0_US - HOUR_US) < 5000


def test_a_laptop_that_slept_is_no_stepped_clock():
    rng = np.random.default_rng(6)
    after = [exchange(4 * HOUR_US + i, 30e-6, rng, mono_us=HOUR_US + i) for i in range(4)]  # the steady clock stood still
    assert fit_clock(KEY, group(HOUR_US, 30e-6, rng) + after).remarks == ()


def test_a_boot_without_an_exchange_has_no_clock():
    rng = np.random.default_rng(7)
    known = clocks([exchange(5, 0.0, rng, boot=2), exchange(5, 0.0, rng, boot=4)])
    assert set(known) == {KEY._replace(boot=2), KEY._replace(boot=4)}
    with pytest.raises(ReductionError, match="never compared with a host"):
        fit_clock(KEY, [])


def test_the_order_of_exchanges_does_not_matter():
    rng = np.random.default_rng(8)
    exchanges = group(HOUR_US, 10e-6, rng) + group(2 * HOUR_US, 10e-6, rng)
    assert fit_clock(KEY, exchanges) == fit_clock(KEY, exchanges[::-1])
