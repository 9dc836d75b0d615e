"""The simulated board, driven by small MicroPython programs as firmware would."""

import json
import os
import subprocess
from pathlib import Path

import numpy as np
import pytest

import apexfix.sim
from apexfix.sim import imu

BOARD = Path(apexfix.sim.__file__).parent / "board"
BOOT_US = 1_790_000_000_000_000
QUIET = {
    "MPU-6050": imu.Part("MPU-6050", 16384.0, 131.0, *([0.0] * 9)),
    "LSM6DSOX": imu.Part("LSM6DSOX", 1000 / 0.061, 1000 / 4.375, *([0.0] * 9)),
}
PERFECT = imu.Faults(np.zeros(3), np.eye(3), np.zeros(3), np.eye(3), np.zeros(3), np.zeros(3), np.array([1.0, 0.0, 0.0]))


@pytest.fixture
def run(tmp_path: Path, micropython):
    """Run a program on a board that lies level and turns about x, at 25 degrees C; give what it prints."""

    def program(text: str, part: str = "MPU-6050", rate_dps: float = 100.0, edges=(), angles=()):
        motion = (np.tile([0.0, 0.0, 1.0], (2000, 1)), np.tile([rate_dps, 0.0, 0.0], (2000, 1)), np.full(2000, 25.0))
        imu.counts(np.random.default_rng(1), QUIET[part], PERFECT, motion).tofile(tmp_path / "samples.bin")
        (tmp_path / "pace").write_text(f"forward {BOOT_US + 9_000_000_000}")
        scenario = {
            "serial": "00ff", "part": part, "samples_file": str(tmp_path / "samples.bin"), "samples_start_us": BOOT_US,
            "boot_us": BOOT_US, "edges": edges, "rate_error_ppb": 20_000, "ticks_start_us": 2**30 - 500_000, "supply_mv": 5000,
            "erase_us": 45_000,
            "pace_file": str(tmp_path / "pace"), "reached_file": str(tmp_path / "reached"),
        }  # fmt: skip
        scenario["angles_file"] = str(tmp_path / "angles.bin") if angles else None
        (tmp_path / "scenario.json").write_text(json.dumps(scenario))
        np.resize(np.array(angles or [0], dtype=np.int32), 2000).tofile(tmp_path / "angles.bin")
        (tmp_path / "main.py").write_text(text)
        environment = {**os.environ, "MICROPYPATH": str(BOARD), "APEXFIX_SCENARIO": str(tmp_path / "scenario.json")}
        command = [str(micropython), str(tmp_path / "main.py")]
        return subprocess.run(command, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)

    return program


BUS = """
from machine import I2C
import struct
bus = I2C(0, sda=None, scl=None, freq=400000)
"""


def numbers(done) -> list[int]:
    assert done.returncode == 0, done.stderr
    return [int(word) for word in done.stdout.split()]


def test_an_mpu6050_sleeps_until_it_is_woken(run):
    done = run(BUS + "print(*bus.readfrom_mem(0x68, 0x3B, 14)); print(*bus.readfrom_mem(0x68, 0x75, 1))")
    assert numbers(done) == [0] * 14 + [0x68]


@pytest.mark.parametrize(("code", "accel_lsb", "gyro_lsb"), [(0, 16384, 131), (1, 8192, 65.5), (2, 4096, 32.75), (3, 2048, 16.375)])
def test_an_mpu6050_gives_big_endian_counts_of_the_range_that_was_set(run, code, accel_lsb, gyro_lsb):
    # InvenSense RM-MPU-6000A rev 4.2: AFS_SEL and FS_SEL, bits 4:3 of 0x1C and 0x1B; the last two gyroscope figures are printed
    # rounded, as 32.8 and 16.4.
    text = f"""
bus.writeto_mem(0x68, 0x6B, b"\\x01")
bus.writeto_mem(0x68, 0x1A, b"\\x03\\x08" )
bus.writeto_mem(0x68, 0x1C, bytes([{code << 3}]))
bus.writeto_mem(0x68, 0x1B, bytes([{code << 3}]))
print(*struct.unpack(">7h", bus.readfrom_mem(0x68, 0x3B, 14)))
"""
    x, y, z, temperature, p, q, r = numbers(run(BUS + text))
    assert (x, y, z, q, r) == (0, 0, accel_lsb, 0, 0)
    assert p == pytest.approx(100 * gyro_lsb, abs=1)
    assert temperature / 340 + 36.53 == pytest.approx(25.0, abs=0.01)  # the same register map, section 4.18


@pytest.mark.parametrize(("code", "mg", "mdps"), [(0b00, 0.061, 8.75), (0b10, 0.122, 35.0), (0b11, 0.244, 70.0)])
def test_an_lsm6dsox_gives_little_endian_counts_of_the_range_that_was_set(run, code, mg, mdps):
    # ST DS12814 (compared with the maker's lsm6dsox_reg.h): FS_XL 00 2 g, 10 4 g, 11 8 g; FS_G 00 250, 10 1000, 11 2000 deg/s;
    # bits 3:2; output rate 104 Hz.
    text = f"""
bus.writeto_mem(0x6A, 0x10, bytes([0x40 | {code << 2}]))
bus.writeto_mem(0x6A, 0x11, bytes([0x40 | {code << 2}]))
print(*struct.unpack("<7h", bus.readfrom_mem(0x6A, 0x20, 14)), bus.readfrom_mem(0x6A, 0x0F, 1)[0])
"""
    temperature, p, q, r, x, y, z, identity = numbers(run(BUS + text, "LSM6DSOX"))
    assert (x, y, q, r, identity) == (0, 0, 0, 0, 0x6C)
    assert z == pytest.approx(1000 / mg, abs=1)
    assert p == pytest.approx(100_000 / mdps, abs=1)
    assert temperature / 256 + 25 == pytest.approx(25.0, abs=0.01)


def test_a_turn_beyond_the_range_sticks_at_its_end(run):
    text = """
bus.writeto_mem(0x68, 0x6B, b"\\x01")
print(*struct.unpack(">3h", bus.readfrom_mem(0x68, 0x43, 6)))
"""
    assert numbers(run(BUS + text, rate_dps=400.0)) == [32767, 0, 0]


def test_an_encoder_shows_its_angle_in_twelve_bits_high_byte_first_while_it_sees_its_magnet(run):
    # ams AS5600 data sheet, register map (compared with open drivers): STATUS 0Bh with MD bit 5 and ML bit 4, RAW ANGLE 0Ch, 0Dh
    text = "print(*bus.scan(), *bus.readfrom_mem(0x36, 0x0B, 3))"
    assert numbers(run(BUS + text, angles=(0xABC,))) == [0x36, 0x68, 0x20, 0x0A, 0xBC]
    assert numbers(run(BUS + text, angles=(-1,)))[2:] == [0x10, 0, 0]
    assert numbers(run(BUS + "print(*bus.scan())")) == [0x68]


def test_ticks_wrap_at_two_to_the_thirty_and_a_sleep_goes_by_them(run):
    text = """
import time
before = time.ticks_us()
time.sleep_ms(500000)
after = time.ticks_us()
print(before, after, time.ticks_diff(after, before))
"""
    before, after, difference = numbers(run(text))
    assert before < 2**30
    assert after < before
    assert difference == pytest.approx(500_000_000, abs=20)


TIMED = """
import machine, time
from array import array
stamps = array("i", [0] * 8)
n = 0
def tick(timer):
    global n
    if n < 8:
        stamps[n] = time.ticks_us()
        n += 1
timer = machine.Timer(-1)
timer.init(period=10, mode=machine.Timer.PERIODIC, callback=tick)
"""


def test_a_timer_ticks_on_its_grid_while_the_processor_idles(run):
    stamps = numbers(run(TIMED + "while n < 8: machine.idle()\nprint(*stamps)"))
    assert np.diff(stamps) == pytest.approx(10_000, abs=3)


def test_writing_to_flash_makes_ticks_late_but_not_fewer(run):
    text = TIMED + "file = open('/dev/null', 'wb')\nfile.write(bytes(4096))\nwhile n < 8: machine.idle()\nprint(*stamps)"
    stamps = np.array(numbers(run(text)))
    assert np.diff(stamps)[:3].max() < 100  # four ticks fell into 45 ms of erasing and ran at its end
    assert (stamps[-1] - stamps[0]) < 50_000


def test_an_edge_is_handled_at_its_own_time_even_during_a_transfer(run):
    text = BUS + """
import machine, time
seen = [0]
def edge(pin):
    seen[0] = time.ticks_us()
pin = machine.Pin(14, machine.Pin.IN, machine.Pin.PULL_UP)
pin.irq(handler=edge, trigger=machine.Pin.IRQ_FALLING, hard=True)
bus.readfrom_mem(0x68, 0x3B, 14)
print(seen[0], pin.value())
"""
    at, level = numbers(run(text, edges=((BOOT_US + 200, 14, 0),)))
    assert at == pytest.approx(2**30 - 500_000 + 200, abs=5)
    assert level == 0


def test_a_handler_that_allocates_ends_the_unit_loudly(run):
    text = TIMED.replace("stamps[n] = time.ticks_us()", "stamps[n] = len([n, n])") + "while n < 8: machine.idle()\n"
    done = run(text)
    assert done.returncode == 70
    assert "heap is locked" in done.stderr
