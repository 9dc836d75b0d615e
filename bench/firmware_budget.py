"""What the firmware costs: bytes allocated and time per call, on the real interpreter of this computer.

The times are this computer's; a board at 133 MHz is some hundred times slower. What carries over is the allocation (on a board
about half of it: its words are four bytes) and the ratio between the lines. Interrupts must allocate nothing.

Then the worst gap between two samples, and samples lost, while a whole simulated unit writes three presses with their windows to a
flash that stops it as the board's typically does: 45 ms an erase, 1.2 ms a flush. The data sheet of the W25Q16JV (rev F, as an open
project quotes it) allows 400 ms an erase and 3 ms a page: such a flash makes gaps of 400 ms and loses ten times the samples. Gaps
cost no time: every sample is stamped.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from apexfix.link import open_port
from apexfix.session import Session
from apexfix.sim import imu
from apexfix.sim.virtual_unit import Hardware, VirtualUnit
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
PRESSES = ((10.0, REFERENCE), (22.0, MARK), (34.0, REFERENCE))


def worst_gap(part: imu.Part, rate_hz: int) -> dict[str, object]:
    """Return the status of a simulated unit that has written three presses."""
    count = 70 * imu.SAMPLE_HZ
    still = (np.tile([0.0, 0.0, 1.0], (count, 1)), np.zeros((count, 3)), np.full(count, 25.0))
    rng = np.random.default_rng(1)
    moves = [(at_s + held_s, pin, level) for at_s, pin in PRESSES for held_s, level in ((0, 0), (0.2, 1))]
    edges = tuple((START_US + round(at_s * 1e6), pin, level) for at_s, pin, level in moves)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        imu.counts(rng, part, imu.faults(rng, part), still).tofile(folder / "samples.bin")
        hardware = Hardware("00112233", part.name, folder / "samples.bin", START_US, edges)
        with VirtualUnit(folder, hardware, {"unit": "u01", "rate_hz": rate_hz}) as unit:
            unit.start(START_US)
            unit.forward(START_US + 60 * SECOND_US)
            unit.live(START_US + 60 * SECOND_US, time.time_ns() // 1000)
            with open_port(unit.port) as line:
                return dict(Session(line).status())


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
    for part in (imu.MPU6050, imu.LSM6DSOX):
        for rate_hz in (100, 200):
            said = worst_gap(part, rate_hz)
            gap_ms = int(str(said["worst_gap_us"])) / 1000
            counted = f"{said['lost']!s:>12}{said['samples']!s:>16}{said['unsaved']!s:>12}"
            print(f"{part.name + f', {rate_hz} Hz':28}{gap_ms:16.1f}{counted}")


if __name__ == "__main__":
    main()
