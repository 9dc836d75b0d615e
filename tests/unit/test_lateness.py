"""Presses that an erase of the flash made late: by hand-made windows, and by the firmware on a flash that takes its time."""

import sys
from math import sqrt

import numpy as np
import pytest

from apexfix.lateness import sigma_late_s
from apexfix.records import BUTTON, Press, Window, scan
from apexfix.sim.table import on_a_table
from apexfix.sim.virtual_unit import LONGEST_ERASE_US, TYPICAL_ERASE_US, VirtualUnit
from apexfix.units import SECOND_US

COMMAND = 2
BOOT_US = 1_790_000_000_000_000
MARK_PIN = 14


def press(source=BUTTON):
    return Press(1, b"", 1, source, 1, 0, 1, (1.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0), None, None, 1)


def window(t_us):
    counts = np.zeros((len(t_us), 3), dtype=np.int16)
    return Window(2, b"", 1, 0, len(t_us), None, np.array(t_us, dtype=np.int32), counts, counts)


def every_ten_ms(last_us):
    """Thirty samples, the last one at a time from the press, and what comes after the press."""
    return [last_us - 10_000 * n for n in range(29, -1, -1)]


@pytest.mark.parametrize("last_us", [0, -1, -4_000, -9_999])
def test_a_press_between_samples_that_came_in_time_is_not_late(last_us):
    assert sigma_late_s(press(), [window([*every_ten_ms(last_us), last_us + 10_000])]) == 0.0


def test_a_press_at_the_end_of_a_gap_is_unsure_by_the_whole_gap():
    assert sigma_late_s(press(), [window([*every_ten_ms(-48_000), 300, 10_300])]) == pytest.approx(0.048 / sqrt(3))


def test_samples_that_had_to_wait_for_the_same_erase_end_no_gap():
    waited = [-1_300, -900, -500, -100]
    assert sigma_late_s(press(), [window(every_ten_ms(-48_000) + waited)]) == pytest.approx(0.048 / sqrt(3))


def test_a_gap_after_the_press_or_long_before_it_makes_nothing_late():
    assert sigma_late_s(press(), [window([*every_ten_ms(-3_000), 45_000])]) == 0.0
    assert sigma_late_s(press(), [window([*every_ten_ms(-70_000), -15_000, -5_000])]) == 0.0


def test_a_sensor_that_was_silent_for_seconds_counts_as_the_longest_erase():
    assert sigma_late_s(press(), [window(every_ten_ms(-5_000_000))]) == pytest.approx(0.4 / sqrt(3))


def test_a_window_in_pieces_is_read_as_one():
    t_us = every_ten_ms(-48_000)
    assert sigma_late_s(press(), [window(t_us[12:]), window(t_us[:12])]) == pytest.approx(0.048 / sqrt(3))


def test_a_press_by_command_and_one_without_samples_before_it_are_not_late():
    assert sigma_late_s(press(COMMAND), [window(every_ten_ms(-48_000))]) == 0.0
    assert sigma_late_s(press(), []) == 0.0
    assert sigma_late_s(press(), [window([5_000, 15_000])]) == 0.0


def recorded(folder, erase_us, pressed_s):
    """The mark presses of a unit, and for each of them what its samples say of its lateness."""
    moves = [(at_s + held_s, level) for at_s in pressed_s for held_s, level in ((0.0, 0), (0.03, 1))]
    edges = tuple((BOOT_US + round(at_s * SECOND_US), MARK_PIN, level) for at_s, level in moves)
    with VirtualUnit(folder, on_a_table(folder, edges=edges, erase_us=erase_us), {"unit": "u01"}) as unit:
        unit.start(BOOT_US)
        unit.forward(BOOT_US + round((pressed_s[-1] + 6) * SECOND_US))
    records = [r for path in sorted((unit.flash / "log").glob("*.seg")) for r in scan(path.read_bytes())]
    own = {r.sequence: r for r in records if isinstance(r, Press)}
    windows = {number: [r for r in records if isinstance(r, Window) and r.press == number] for number in own}
    return sorted((one.t_us / SECOND_US, sigma_late_s(one, windows[number])) for number, one in own.items())


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo terminals on that system")
@pytest.mark.parametrize("erase_us", [TYPICAL_ERASE_US, LONGEST_ERASE_US])
def test_a_press_in_mid_erase_is_kept_and_unsure_by_as_much_as_it_may_be_late(tmp_path, micropython, erase_us):
    """Every second press is short and falls where the samples of the one before it are written: from three seconds after it."""
    spread_s = 0.1 + 3e-6 * erase_us
    pressed_s = [5.0 + 11 * n + extra_s for n in range(12) for extra_s in (0.0, 3.0 + spread_s * (n + 0.5) / 12)]
    found = recorded(tmp_path, erase_us, pressed_s)
    late_s = np.array([at_s for at_s, _ in found]) - pressed_s
    most_s = sqrt(3) * np.array([sigma_s for _, sigma_s in found])
    assert np.all((late_s > -0.001) & (late_s <= most_s + 0.001))
    assert np.sum(late_s > 0.005) >= 3
    assert np.all(most_s[::2] == 0.0)


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo terminals on that system")
@pytest.mark.parametrize("erase_us", [TYPICAL_ERASE_US, LONGEST_ERASE_US])
def test_a_second_press_within_three_seconds_is_in_time(tmp_path, micropython, erase_us):
    pressed_s = [5.0 + 11 * n + extra_s for n in range(12) for extra_s in (0.0, 0.2 + 2.7 * n / 11)]
    found = recorded(tmp_path, erase_us, pressed_s)
    assert [at_s for at_s, _ in found] == pytest.approx(pressed_s, abs=0.001)
    assert {sigma_s for _, sigma_s in found} == {0.0}
