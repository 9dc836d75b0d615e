"""A virtual unit: the firmware boots, answers, and logs a press where it happened."""

import binascii
import json
import struct
import termios
import time
from pathlib import Path

import numpy as np
import pytest

from apexfix.errors import UnitError
from apexfix.sim import imu
from apexfix.sim.virtual_unit import Hardware, VirtualUnit

BOOT_US = 1_790_000_000_000_000
PRESS_US = BOOT_US + 12_345_678
TICKS_US = 200_000
RATE_PPB = 25_000
PARTS = {"MPU-6050": imu.MPU6050, "LSM6DSOX": imu.LSM6DSOX}
STILL = imu.Faults(np.zeros(3), np.eye(3), np.zeros(3), np.eye(3), np.zeros(3), np.zeros(3), np.array([1.0, 0.0, 0.0]))
EDGES = ((PRESS_US, 14, 0), (PRESS_US + 400, 14, 1), (PRESS_US + 900, 14, 0), (PRESS_US + 180_000, 14, 1))


@pytest.fixture(params=PARTS)
def unit(request, tmp_path: Path, micropython):
    """A unit that lies still with its tube 30 degrees up, and one press of MARK 12 s after its boot."""
    count = 30 * imu.SAMPLE_HZ
    motion = (np.tile([0.5, 0.0, 0.75**0.5], (count, 1)), np.zeros((count, 3)), np.full(count, 20.0))
    counts = imu.counts(np.random.default_rng(5), PARTS[request.param], STILL, motion)
    counts.tofile(tmp_path / "samples.bin")
    hardware = Hardware("0011223344556677", request.param, tmp_path / "samples.bin", BOOT_US, EDGES, RATE_PPB, TICKS_US)
    with VirtualUnit(tmp_path, hardware, {"unit": "u09"}) as unit:
        unit.start(BOOT_US)
        yield unit


def records_of(data: bytes) -> list[tuple[int, bytes]]:
    """(type, payload) of every record whose check is right; docs/protocol.md, section 4."""
    found, at = [], 0
    while at < len(data):
        mark, kind, version, length, _ = struct.unpack_from("<2sBBHI", data, at)
        assert (mark, version) == (b"AX", 1)
        end = at + 10 + length
        assert struct.unpack_from("<I", data, end)[0] == binascii.crc32(data[at:end])
        found.append((kind, data[at + 10 : end]))
        at = end + 4
    return found


def log_of(unit: VirtualUnit) -> list[tuple[int, bytes]]:
    return [record for path in sorted((unit.flash / "log").glob("*.seg")) for record in records_of(path.read_bytes())]


def test_a_press_is_logged_at_the_instant_of_its_first_edge(unit):
    unit.forward(BOOT_US + 20_000_000)
    presses = [struct.unpack("<BBHqIfffffffqhH", payload) for kind, payload in log_of(unit) if kind == 2]
    assert len(presses) == 1
    # Since boot on a clock that runs 25 ppm fast. The firmware's zero is when its clock was made, a few readings after the power.
    elapsed_us = PRESS_US - BOOT_US
    assert presses[0][3] == pytest.approx(elapsed_us + elapsed_us * RATE_PPB * 1e-9, abs=100)


def test_the_attitude_of_a_press_is_the_one_that_the_sensor_felt(unit):
    unit.forward(BOOT_US + 20_000_000)
    w, x, y, z = next(struct.unpack_from("<ffff", payload, 16) for kind, payload in log_of(unit) if kind == 2)
    # Third row, first column of the rotation matrix of a unit quaternion: the sine of the elevation of the x axis.
    assert 2 * (x * z - w * y) == pytest.approx(0.5, abs=0.01)


def test_a_power_cut_keeps_the_log_and_counts_a_new_boot(unit):
    unit.forward(BOOT_US + 20_000_000)
    unit.power_off()
    unit.start(BOOT_US + 25_000_000)
    unit.forward(BOOT_US + 27_000_000)
    boots = [json.loads(payload) for kind, payload in log_of(unit) if kind == 1]
    assert [boot["boot"] for boot in boots] == [1, 2]
    assert boots[0]["log"] == boots[1]["log"]
    assert sum(kind == 2 for kind, _ in log_of(unit)) == 1


def test_a_live_unit_answers_on_its_port(unit):
    unit.forward(BOOT_US + 2_000_000)
    unit.live(BOOT_US + 2_000_000, time.time_ns() // 1000)
    request = b"7 hello"
    with open(unit.port, "r+b", buffering=0) as port:
        settings = termios.tcgetattr(port)
        settings[6][termios.VMIN], settings[6][termios.VTIME] = 0, 20
        termios.tcsetattr(port, termios.TCSANOW, settings)
        port.write(b"~%s*%04X\n" % (request, binascii.crc_hqx(request, 0xFFFF)))
        answer = b""
        while chunk := port.read(256):
            answer += chunk
    assert b'"u09"' in answer
    assert b"0011223344556677" in answer


def test_a_unit_without_power_cannot_go_live(unit):
    unit.power_off()
    with pytest.raises(UnitError, match="powered off"):
        unit.live(BOOT_US, 0)
