"""Mishaps in mid-transfer, with the real firmware behind a pseudo terminal: nothing is lost, nothing waits for ever."""

import shutil
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager

import numpy as np
import pytest

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.link import open_port
from apexfix.pull import PullOptions, pull_all, pull_unit
from apexfix.records import MARK
from apexfix.session import Patience, Session
from apexfix.sim import imu
from apexfix.sim.virtual_unit import Hardware, VirtualUnit
from apexfix.verify import audit

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo terminals on that system")
SERIAL, OTHER = "0011223344556677", "8899aabbccddeeff"
SETTINGS = {"unit": "u01", "before_ms": 500, "after_ms": 300}
STILL = imu.Faults(np.zeros(3), np.eye(3), np.zeros(3), np.eye(3), np.zeros(3), np.zeros(3), np.array([1.0, 0.0, 0.0]))
FLIGHTS = 12
SECOND_US = 1_000_000
MARK_PIN = 14


@pytest.fixture(scope="module")
def flown(tmp_path_factory, root, micropython):
    """A folder with the log of twelve flights, written by the firmware, and what the sensor feels afterwards."""
    folder = tmp_path_factory.mktemp("flown")
    count = 10 * imu.SAMPLE_HZ
    motion = (np.tile([0.0, 0.0, 1.0], (count, 1)), np.zeros((count, 3)), np.full(count, 20.0))
    imu.counts(np.random.default_rng(5), imu.MPU6050, STILL, motion).tofile(folder / "samples.bin")
    (folder / "flash").mkdir()
    board = root / "tests" / "firmware" / "board"
    command = [micropython, "-X", "heapsize=16M", board / "fill_log.py", str(FLIGHTS)]
    subprocess.run(command, cwd=folder / "flash", env={"MICROPYPATH": f"{board}:{root / 'firmware'}:.frozen"}, check=True)
    return folder


@pytest.fixture
def folder(flown, tmp_path):
    shutil.copytree(flown, tmp_path / "unit")
    (tmp_path / "day").mkdir()
    return tmp_path / "unit"


def now_us():
    return time.time_ns() // 1000


def switch_on(unit):
    start_us = now_us()
    unit.start(start_us)
    unit.live(start_us, start_us)


@contextmanager
def plugged_in(folder, serial=SERIAL, marks_after_s=()):
    """A unit that runs with the real clock; its MARK button is pressed at these times after its start."""
    edges = [
        (now_us() + round(at_s * SECOND_US) + down_us, MARK_PIN, level)
        for at_s in marks_after_s
        for down_us, level in ((0, 0), (150_000, 1))
    ]
    with VirtualUnit(folder, Hardware(serial, "MPU-6050", folder / "samples.bin", now_us(), tuple(edges)), SETTINGS) as unit:
        switch_on(unit)
        yield unit


class Meddled:
    """A line on which something happens once, after so many bytes."""

    def __init__(self, line, after_bytes, mishap):
        self._line, self._left, self._mishap = line, after_bytes, mishap
        self.write = line.write

    def read(self, most):
        data = self._line.read(most)
        if self._left > 0:
            self._left -= len(data)
            if self._left <= 0:
                self._mishap()
        return data


def pulled(unit, day, after_bytes=0, mishap=lambda: None, answer_s=1.0):
    """What came of one pull in which something happened, and what the archive then holds: number of a segment -> bytes."""
    with open_archive(day / ARCHIVE_NAME) as archive, open_port(unit.port) as line:
        session = Session(Meddled(line, after_bytes, mishap), patience=Patience(answer_s=answer_s))
        outcome = pull_unit(session, archive, unit.port, PullOptions())
        return outcome, held(archive)


def held(archive, serial=SERIAL):
    return {
        piece.number: archive.segment_bytes(serial, piece.log, piece.number) for piece in archive.pieces() if piece.serial == serial
    }


def on_flash(folder):
    return {int(path.stem): path.read_bytes() for path in (folder / "flash" / "log").glob("*.seg")}


def is_whole(held_now, folder):
    """Whether the archive has every segment; the open one may have grown since."""
    flash = on_flash(folder)
    grown = flash.pop(last := max(flash))
    return grown.startswith(held_now[last]) and {n: held_now[n] for n in held_now if n != last} == flash


def sound(day):
    with open_archive(day / ARCHIVE_NAME) as archive:
        return audit(archive).damaged == () and archive.conflicts() == ()


def test_a_unit_that_loses_power_in_mid_transfer_goes_on_with_its_next_boot(folder, tmp_path):
    def power_fails():
        unit.power_off()
        switch_on(unit)

    with plugged_in(folder) as unit:
        outcome, first = pulled(unit, tmp_path / "day", 40_000, power_fails)
        assert outcome.error == ""
        again, everything = pulled(unit, tmp_path / "day")
    assert again.error == ""
    assert is_whole(everything, folder)
    assert len(first) == len(everything) - 1  # the boot in mid-transfer began a segment that was not announced
    with open_archive(tmp_path / "day" / ARCHIVE_NAME) as archive:
        boots = [stored.record.boot for stored in archive.boots()]
        assert {exchange.boot for exchange in archive.exchanges()} == set(boots[-2:])
    assert sound(tmp_path / "day")


def test_an_unplugged_unit_is_told_and_the_next_pull_fetches_the_rest(folder, tmp_path):
    with plugged_in(folder) as unit:
        outcome, before = pulled(unit, tmp_path / "day", 40_000, unit.close)
    assert unit.port in outcome.error
    assert "plugged in" in outcome.error
    assert 20_000 < sum(map(len, before.values())) < sum(map(len, on_flash(folder).values()))
    assert all(on_flash(folder)[number].startswith(data) for number, data in before.items())
    with plugged_in(folder) as unit:
        again, after = pulled(unit, tmp_path / "day")
    assert again.error == ""
    assert is_whole(after, folder)
    assert again.fresh_bytes <= sum(map(len, after.values())) - sum(map(len, before.values()))
    assert sound(tmp_path / "day")


def test_a_unit_that_hangs_in_mid_transfer_is_given_up_with_how_far_it_got(folder, tmp_path):
    with plugged_in(folder) as unit:
        outcome, before = pulled(unit, tmp_path / "day", 40_000, lambda: unit._process.send_signal(signal.SIGSTOP), answer_s=0.2)
        unit._process.send_signal(signal.SIGCONT)
        assert "came up to byte" in outcome.error
        assert sum(map(len, before.values())) > 20_000
        again, after = pulled(unit, tmp_path / "day")
    assert again.error == ""
    assert is_whole(after, folder)


def test_presses_during_transfers_are_recorded_with_their_samples(folder, tmp_path):
    begin = time.monotonic()
    with plugged_in(folder, marks_after_s=(1.0, 2.5)) as unit:
        while time.monotonic() < begin + 7.0:  # pull after pull, so that presses and their writing fall into transfers
            day = tmp_path / f"day{time.monotonic_ns()}"
            day.mkdir()
            assert pulled(unit, day)[0].error == ""
    with open_archive(day / ARCHIVE_NAME) as archive:
        last = max(stored.record.boot for stored in archive.boots())
        marks = [stored for stored in archive.presses() if stored.record.kind == MARK and stored.record.boot == last]
        samples = [sum(len(window.t_us) for window in archive.windows(mark)) for mark in marks]
        totals = [archive.windows(mark)[0].total for mark in marks]
    assert len(marks) == 2
    assert marks[1].record.t_us - marks[0].record.t_us == pytest.approx(1.5 * SECOND_US, abs=2000)
    assert samples == totals
    assert min(samples) > 40  # of 80 at 100 Hz: a loaded machine is late


def test_two_units_with_one_name_are_pulled_side_by_side_and_kept_apart(folder, flown, tmp_path):
    shutil.copytree(flown, tmp_path / "second")
    seen = {}
    with ExitStack() as stack:
        ports = [
            stack.enter_context(plugged_in(where, serial)).port
            for where, serial in ((folder, SERIAL), (tmp_path / "second", OTHER))
        ]
        outcomes = pull_all(ports, tmp_path / "day", progress=lambda p: seen.setdefault(p.port, []).append(p))
    assert [(outcome.unit, outcome.serial, outcome.error) for outcome in outcomes] == [("u01", SERIAL, ""), ("u01", OTHER, "")]
    for port in ports:
        done = [progress.done_bytes for progress in seen[port]]
        assert done == sorted(done)
        assert done[-1] == seen[port][-1].total_bytes
    with open_archive(tmp_path / "day" / ARCHIVE_NAME) as archive:
        assert is_whole(held(archive), folder)
        assert is_whole(held(archive, OTHER), tmp_path / "second")
