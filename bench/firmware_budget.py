"""What the firmware costs: bytes allocated and time per call, on the real interpreter of this computer.

The times are this computer's; a board at 133 MHz is some hundred times slower. What carries over is the allocation (on a board
about half of it: its words are four bytes) and the ratio between the lines. Interrupts must allocate nothing.

Then the worst gap between two samples, and samples lost, while a whole simulated unit writes three presses with their windows to a
flash that stops it as the board's typically does: 45 ms an erase, 0.4 ms a page; and to one that takes the 400 ms an erase that the
data sheet of the W25Q16JV (rev F, as an open project quotes it) allows. Gaps cost samples and no time: every sample is stamped.

A press is stamped late that comes while an erase lets no interrupt run. The last table has pairs of short presses, the second one
within the three seconds in which the unit writes nothing, and just after them, while it writes the first one's window.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from apexfix.lateness import sigma_late_s
from apexfix.link import open_port
from apexfix.records import Press, Window, scan
from apexfix.session import Session
from apexfix.sim import imu
from apexfix.sim.table import on_a_table
from apexfix.sim.virtual_unit import LONGEST_ERASE_US, TYPICAL_ERASE_US, Hardware, VirtualUnit
from apexfix.units import SECOND_US

ROOT = Path(__file__).resolve().parents[1]

SCRIPT = """
import gc, json, struct, utime
import desk, machine, time
from unit import as5600, imu, records, wire
from unit.attitude import Attitude
from unit.buttons import Button
from unit.sampler import Sampler
from unit.scale import Scale
from unit.tracker import Moment

bus = machine.I2C(0)
desk.rest()
ring = Sampler(100, 2200)
driver = imu.find(bus, 100)
ring.start(driver)
timer = machine.Timer.all[-1]
pin = Button(14)
attitude = Attitude(Scale(driver, [[1, 0, 0], [0, 1, 0], [0, 0, 1]], None), 100)
counts = (100, 200, 16384, 3, -4, 500)
payload = bytes(range(256)) + bytes(248)
sample = [(0, bytes(12))] * 120

def a_sample():
    time.now.us += 10000
    timer.callback(timer)

encoded = Sampler(100, 2200)
machine.I2C.parts[0x36] = machine.magnet()
encoded.start(driver, as5600.find(bus))
second_timer = machine.Timer.all[-1]

def a_sample_with_the_encoder():
    time.now.us += 10000
    second_timer.callback(second_timer)

def an_edge():
    pin.edge(None)

def an_update():
    attitude.update(counts, 0.01, 1000000)

def a_data_frame():
    wire.frame(0x44, 1, payload)

def a_window_record():
    records.record(3, 1, records.window(1, 0, 120, 0, sample))

def measure(name, function, times):
    function()
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    for _ in range(times):
        function()
    used = (gc.mem_alloc() - before) / times
    gc.enable()
    start = utime.ticks_us()
    for _ in range(times):
        function()
    print(json.dumps([name, used, utime.ticks_diff(utime.ticks_us(), start) / times]))

measure("timer: one sample", a_sample, 2000)
measure("timer: with the encoder", a_sample_with_the_encoder, 2000)
measure("edge of a button", an_edge, 2000)
measure("attitude update", an_update, 2000)
measure("data frame, 504 bytes", a_data_frame, 500)
measure("window record, 120 samples", a_window_record, 200)
"""


START_US = 1_790_000_000 * SECOND_US
MARK, REFERENCE = 14, 15
ERASES = (TYPICAL_ERASE_US, LONGEST_ERASE_US)
PAIRS = 96
HELD_S = 0.03
PRESSES = ((10.0, REFERENCE), (22.0, MARK), (34.0, REFERENCE))


def worst_gap(part: imu.Part, rate_hz: int, erase_us: int) -> dict[str, object]:
    """Return the status of a simulated unit that has written three presses."""
    count = 70 * imu.SAMPLE_HZ
    still = (np.tile([0.0, 0.0, 1.0], (count, 1)), np.zeros((count, 3)), np.full(count, 25.0))
    rng = np.random.default_rng(1)
    moves = [(at_s + held_s, pin, level) for at_s, pin in PRESSES for held_s, level in ((0, 0), (0.2, 1))]
    edges = tuple((START_US + round(at_s * 1e6), pin, level) for at_s, pin, level in moves)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        imu.counts(rng, part, imu.faults(rng, part), still).tofile(folder / "samples.bin")
        hardware = Hardware("00112233", part.name, folder / "samples.bin", START_US, edges, erase_us=erase_us)
        with VirtualUnit(folder, hardware, {"unit": "u01", "rate_hz": rate_hz}) as unit:
            unit.start(START_US)
            unit.forward(START_US + 60 * SECOND_US)
            unit.live(START_US + 60 * SECOND_US, time.time_ns() // 1000)
            with open_port(unit.port) as line:
                return dict(Session(line).status())


def lateness(erase_us: int, from_s: float, to_s: float) -> tuple[int, list[float], list[float]]:
    """Return how many second presses were lost, how late the others were stamped, and how late the host says that they may be."""
    seconds = [10.0 + 12 * n + from_s + (to_s - from_s) * (n + 0.5) / PAIRS for n in range(PAIRS)]
    times = sorted([10.0 + 12 * n for n in range(PAIRS)] + seconds)
    moves = [(at_s + held_s, level) for at_s in times for held_s, level in ((0, 0), (HELD_S, 1))]
    edges = tuple((START_US + round(at_s * 1e6), MARK, level) for at_s, level in moves)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with VirtualUnit(folder, on_a_table(folder, edges=edges, erase_us=erase_us), {"unit": "u01"}) as unit:
            unit.start(START_US)
            unit.forward(START_US + round((times[-1] + 8) * SECOND_US))
        records = [r for path in sorted((unit.flash / "log").glob("*.seg")) for r in scan(path.read_bytes())]
    presses = [(r.t_us / SECOND_US, r) for r in records if isinstance(r, Press)]
    windows = [r for r in records if isinstance(r, Window)]
    late_s, most_s = [], []
    for second_s in seconds:
        for at_s, press in presses:
            if -0.001 < at_s - second_s < 1.0:
                late_s.append(at_s - second_s)
                most_s.append(3**0.5 * sigma_late_s(press, [w for w in windows if w.press == press.sequence]))
    return PAIRS - len(late_s), late_s, most_s


def main() -> None:
    interpreter = Path(sys.executable).with_name("micropython")
    path = f"{ROOT / 'tests' / 'firmware' / 'board'}:{ROOT / 'firmware'}:.frozen"
    with tempfile.TemporaryDirectory() as folder:
        script = Path(folder) / "budget.py"
        script.write_text(SCRIPT, encoding="utf-8")
        command = [interpreter, "-X", "heapsize=64M", script]
        done = subprocess.run(command, cwd=folder, env={"MICROPYPATH": path}, capture_output=True, text=True, check=True)
    print(f"{'':28}{'bytes allocated':>16}{'us a call':>12}{'calls a second':>16}")
    for line in done.stdout.splitlines():
        name, used, took_us = json.loads(line)
        print(f"{name:28}{used:16.0f}{took_us:12.1f}{1e6 / took_us:16.0f}")
    print(f"\n{'simulated unit, 3 presses':28}{'worst gap ms':>16}{'lost':>12}{'of samples':>16}{'not saved':>12}")
    for erase_us in ERASES:
        for part in (imu.MPU6050, imu.LSM6DSOX):
            for rate_hz in (100, 200):
                said = worst_gap(part, rate_hz, erase_us)
                gap_ms = int(str(said["worst_gap_us"])) / 1000
                counted = f"{said['lost']!s:>12}{said['samples']!s:>16}{said['unsaved']!s:>12}"
                print(f"{part.name + f', {rate_hz} Hz, {erase_us // 1000} ms':28}{gap_ms:16.1f}{counted}")
    print(f"\n{'second press of a pair':28}{'lost':>16}{'late':>12}{'worst late ms':>16}{'beyond its gap':>16}")
    for erase_us in ERASES:
        for from_s, to_s in ((0.1, 3.0), (3.0, 3.1 + 3e-6 * erase_us)):
            lost, late_s, most_s = lateness(erase_us, from_s, to_s)
            beyond = sum(late > most + 0.001 for late, most in zip(late_s, most_s, strict=True))
            many = f"{lost:>16}{sum(late > 0.001 for late in late_s):12}{max(late_s) * 1000:16.1f}{beyond:16}"
            print(f"{f'{from_s:.1f} to {to_s:.1f} s, {erase_us // 1000} ms':28}{many}")


if __name__ == "__main__":
    main()
