"""How fast a long day's log comes off a unit, and how much of what goes over the line is the log.

The unit is the firmware on the real interpreter, sampling and filtering meanwhile, at a pseudo terminal; its log holds flights
with tracks of four seconds, flown by its own code. Beside it: `mpremote fs cp` of the same files from the same interpreter, which
does nothing else, at the same kind of terminal.

    python bench/throughput.py [--flights 200]
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.link import open_port
from apexfix.pull import PullOptions, pull_unit
from apexfix.session import Session
from apexfix.sim import imu
from apexfix.sim.virtual_unit import Hardware, VirtualUnit, interpreter

ROOT = Path(__file__).resolve().parents[1]
SETTINGS = {"unit": "u01", "before_ms": 3000, "after_ms": 1000}
STILL = imu.Faults(np.zeros(3), np.eye(3), np.zeros(3), np.eye(3), np.zeros(3), np.zeros(3), np.array([1.0, 0.0, 0.0]))


class Counting:
    """A line that counts what goes over it."""

    def __init__(self, line: object) -> None:
        self._line = line
        self.sent = self.received = 0

    def read(self, most: int) -> bytes:
        data = self._line.read(most)
        self.received += len(data)
        return data

    def write(self, data: bytes) -> None:
        self.sent += len(data)
        self._line.write(data)


def fly(flash: Path, flights: int) -> None:
    """Let the firmware fill its log; real time does not pass for it."""
    board = ROOT / "tests" / "firmware" / "board"
    command = [interpreter(), "-X", "heapsize=16M", board / "fill_log.py", str(flights)]
    subprocess.run(command, cwd=flash, env={"MICROPYPATH": f"{board}:{ROOT / 'firmware'}:.frozen"}, check=True)


@contextmanager
def unit_with(flights: int, folder: Path) -> Iterator[VirtualUnit]:
    """Yield a unit that lies on a table and has such a log."""
    count = 10 * imu.SAMPLE_HZ
    motion = (np.tile([0.0, 0.0, 1.0], (count, 1)), np.zeros((count, 3)), np.full(count, 20.0))
    imu.counts(np.random.default_rng(1), imu.MPU6050, STILL, motion).tofile(folder / "samples.bin")
    now_us = time.time_ns() // 1000
    with VirtualUnit(folder, Hardware("0011223344556677", "MPU-6050", folder / "samples.bin", now_us), SETTINGS) as unit:
        fly(unit.flash, flights)
        unit.start(now_us)
        unit.live(now_us, now_us)
        yield unit


def pulled(unit: VirtualUnit, day: Path) -> tuple[int, int, float]:
    """Return the bytes of the log that arrived, all bytes that went over the line, and the seconds."""
    with open_archive(day / ARCHIVE_NAME) as archive, open_port(unit.port) as line:
        counting = Counting(line)
        begin = time.perf_counter()
        outcome = pull_unit(Session(counting), archive, unit.port, PullOptions())
        took_s = time.perf_counter() - begin
        if outcome.error or outcome.damaged_bytes:
            raise SystemExit(f"the pull failed: {outcome}")
        log = next(archive.boots()).log
        for path in sorted((unit.flash / "log").glob("*.seg")):
            held = archive.segment_bytes(outcome.serial, log, int(path.stem))
            if not path.read_bytes().startswith(held) or not held:  # the open one may have grown since
                raise SystemExit(f"{path.name} differs from what was pulled")
    return outcome.fresh_bytes, counting.sent + counting.received, took_s


def copied(flash: Path, into: Path) -> tuple[int, float]:
    """Copy the log with mpremote from an idle interpreter at a pseudo terminal; return its bytes and the seconds."""
    master, slave = os.openpty()
    tty.setraw(slave)
    idle = subprocess.Popen([interpreter(), "-i"], stdin=master, stdout=master, stderr=master, cwd=flash, start_new_session=True)
    names = [f":log/{path.name}" for path in sorted((flash / "log").glob("*.seg"))]
    program = Path(sys.executable).with_name("mpremote")
    try:
        begin = time.perf_counter()
        subprocess.run(
            [program, "connect", os.ttyname(slave), "resume", "fs", "cp", *names, f"{into}/"],
            check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        took_s = time.perf_counter() - begin
    finally:
        idle.kill()
        idle.wait()
        os.close(master)
        os.close(slave)
    for path in (flash / "log").glob("*.seg"):
        if (into / path.name).read_bytes() != path.read_bytes():
            raise SystemExit(f"mpremote copied {path.name} with other bytes")
    return sum(path.stat().st_size for path in into.glob("*.seg")), took_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=200)
    parser.add_argument("--alone", action="store_true", help="Do not run mpremote beside it.")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folders = [Path(scratch) / name for name in ("unit", "day", "copy")]
        for folder in folders:
            folder.mkdir()
        with unit_with(options.flights, folders[0]) as unit:
            log_bytes, line_bytes, ours_s = pulled(unit, folders[1])
            flash = unit.flash
        print(f"{options.flights} flights with tracks of 4 s: a log of {log_bytes} bytes")
        print(f"on the line {line_bytes} bytes: overhead {100 * (line_bytes / log_bytes - 1):.1f} % of the log")
        rate = log_bytes / ours_s
        print(f"apexfix pull      {ours_s:7.2f} s {rate / 1000:8.0f} kB/s, into the archive, clocks compared, unit at work")
        if options.alone:
            return
        copied_bytes, theirs_s = copied(flash, folders[2])
        print(f"mpremote fs cp    {theirs_s:7.2f} s {copied_bytes / theirs_s / 1000:8.0f} kB/s, into files, interpreter idle")
        print(f"ratio {theirs_s / copied_bytes * rate:.1f}")


if __name__ == "__main__":
    main()
