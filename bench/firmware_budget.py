"""What the firmware costs: bytes allocated and time per call, on the real interpreter of this computer.

The times are this computer's; a board at 133 MHz is some hundred times slower. What carries over is the allocation (on a board
about half of it: its words are four bytes) and the ratio between the lines. Interrupts must allocate nothing.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

SCRIPT = """
import gc, json, struct, utime
import desk, machine, time
from unit import imu, records, wire
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
measure("edge of a button", an_edge, 2000)
measure("attitude update", an_update, 2000)
measure("data frame, 504 bytes", a_data_frame, 500)
measure("window record, 120 samples", a_window_record, 200)
"""


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


if __name__ == "__main__":
    main()
