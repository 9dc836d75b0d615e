"""A scripted unit in pure Python: answers requests from its own reading of docs/protocol.md, with mishaps on demand."""

import json
import re
import struct
from binascii import crc32, crc_hqx

import pytest


def _stuffed(raw):
    """Byte stuffing written apart from the host's: put the zero bytes' distances in front, as in Cheshire and Baker (1999)."""
    out, code_at = bytearray([0]), 0
    for index, byte in enumerate(raw):
        if byte:
            out.append(byte)
        full = len(out) - code_at == 255
        if not byte or (full and index + 1 < len(raw)):
            out[code_at] = len(out) - code_at
            code_at = len(out)
            out.append(0)
    out[code_at] = len(out) - code_at
    return bytes(out)


def frame(kind, tag, payload):
    body = bytes([ord(kind), tag]) + payload
    return b"\0" + _stuffed(body + crc32(body).to_bytes(4, "little")) + b"\0"


def record(kind, sequence, payload, version=1):
    body = struct.pack("<2sBBHI", b"AX", kind, version, len(payload), sequence) + payload
    return body + struct.pack("<I", crc32(body))


def boot_record(sequence, boot=3, unit="u01"):
    value = {"level": 1, "boot": boot, "log": "9f3a01c2", "unit": unit, "serial": "e661", "rate_hz": 100, "calibration": None}
    return record(1, sequence, json.dumps(value).encode())


def press_record(sequence, t_us=5_000_000, kind=1, boot=3):
    return record(2, sequence, struct.pack(
        "<BBHqIfffffffqhH", kind, 1, 7, t_us, boot, 1.0, 0.0, 0.0, 0.0, 0.25, -0.5, 0.125, -1, 2150, 4))  # fmt: skip


def window_record(sequence, press, first=0, total=4, count=2):
    samples = b"".join(struct.pack("<i6h", 10_000 * (first + i) - 20_000, 1, 2, 16384, -4, 5, 6) for i in range(count))
    return record(3, sequence, struct.pack("<IHHBBh", press, first, total, count, 0, -32768) + samples)


class FakeUnit:
    """A line and the unit behind it. ``mishap(verb, frames)`` returns the bytes chunks that really arrive."""

    def __init__(self, segments=None, serial="e661", mishap=None, level=1):
        self.segments = segments or {}
        self.serial, self.level, self.boot, self.name, self.log = serial, level, 3, "u01", "9f3a01c2"
        self.mishap = mishap or (lambda verb, frames: frames)
        self.requests, self.written, self.pending, self.forgotten = [], b"", b"", []
        self.now_s = 0.0
        self.refused = {}

    # --- the line
    def read(self, most):
        if not self.pending:
            self.now_s += 0.05
        piece, self.pending = self.pending[:most], self.pending[most:]
        return piece

    def write(self, data):
        self.now_s += 0.001
        self.written += data
        for line in data.split(b"\n"):
            match = re.fullmatch(rb"~(\d+ [^*]*)\*([0-9A-F]{4})", line)
            if match and crc_hqx(match[1], 0xFFFF) == int(match[2], 16):
                self._serve(match[1].decode().split(" "))

    def _serve(self, words):
        tag, verb, *args = words
        self.requests.append((verb, *args))
        frames = self.answer(int(tag), verb, args)
        self.pending += b"".join(self.mishap(verb, frames))

    # --- the unit
    def elapsed_s(self):
        return self.now_s

    def t_us(self):
        return 7_000_000 + round(self.now_s * 1e6)

    def answer(self, tag, verb, args):
        if verb in self.refused:
            code, text = self.refused[verb]
            return [frame("N", tag, bytes([code]) + text)]
        return getattr(self, f"_{verb}")(tag, *args)

    def _hello(self, tag):
        value = {"level": self.level, "unit": self.name, "serial": self.serial, "log": self.log, "boot": self.boot,
                 "firmware": "0.1.0", "imu": "MPU-6050", "t_us": self.t_us(), "later": 1}  # fmt: skip
        return [frame("H", tag, json.dumps(value).encode())]

    def _clock(self, tag):
        return [frame("C", tag, struct.pack("<qqI", self.t_us(), self.t_us() + 10, self.boot))]

    def _segments(self, tag):
        last = max(self.segments, default=0)
        entries = [frame("S", tag, struct.pack("<IIB", n, len(data), n != last)) for n, data in sorted(self.segments.items())]
        return [*entries, frame("E", tag, struct.pack("<I", len(entries)))]

    def _read(self, tag, number, offset, length):
        number, offset, length = int(number), int(offset), int(length)
        data = self.segments[number][offset : offset + length]
        pieces = [
            frame("D", tag, struct.pack("<II", number, offset + at) + data[at : at + 504]) for at in range(0, len(data), 504)
        ]
        return [*pieces, frame("E", tag, struct.pack("<I", len(pieces)))]

    def _forget(self, tag, number, length, check):
        if int(number) in self.forgotten:
            return [frame("N", tag, b"\x03gone")]
        data = self.segments[int(number)]
        assert (len(data), f"{crc32(data):08X}") == (int(length), check)
        self.forgotten.append(int(number))
        return [frame("E", tag, bytes(4))]

    def _set(self, tag, key, value):
        return [frame("E", tag, bytes(4))]

    def _status(self, tag):
        return [frame("H", tag, b'{"flight":7,"still":null}')]


class Kit:
    FakeUnit = FakeUnit
    frame = staticmethod(frame)
    record = staticmethod(record)
    boot_record = staticmethod(boot_record)
    press_record = staticmethod(press_record)
    window_record = staticmethod(window_record)


@pytest.fixture(scope="session")
def kit():
    """A scripted unit, and frames and records packed by ``struct`` from the protocol's tables."""
    return Kit


# --- a day folder by hand -------------------------------------------------------------------------------------------

SITE = """format = 1
[site]
name = "Packed by hand"
[[station]]
id = "A"
east_m = 100.0
north_m = 0.0
up_m = 1.5
unit = "u01"
[[station]]
id = "B"
east_m = 0.0
north_m = -100.0
up_m = 1.5
unit = "u02"
"""
DAY_US = 1_781_334_000_000_000  # 2026-06-13 07:00 UTC


def unit_boot(name, boot=1, calibration=None, **more):
    value = {"level": 1, "boot": boot, "log": f"{name}log", "unit": name, "serial": f"serial-{name}", "rate_hz": 100,
             "accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5, "body_from_sensor": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
             "calibration": calibration} | more  # fmt: skip
    return lambda sequence: record(1, sequence, json.dumps(value).encode())


def unit_press(seconds, flight=1, kind=1, quaternion=(1.0, 0.0, 0.0, 0.0), boot=1, still_us=500_000_000):
    fields = (kind, 1, flight, round(seconds * 1e6), boot, *quaternion, 0.0, 0.0, 0.0, still_us, 2150, 1)
    return lambda sequence: record(2, sequence, struct.pack("<BBHqIfffffffqhH", *fields))


class HandDay:
    """A day folder whose archive holds records that the test packed itself. Each unit's clock is UTC less DAY_US."""

    boot, press, utc_us = staticmethod(unit_boot), staticmethod(unit_press), DAY_US

    def __init__(self, folder):
        self.folder = folder
        (folder / "site.toml").write_text(SITE)

    def unit(self, name, records, clocked=(1,)):
        """Enter a unit's records, numbered from 1, and an exchange of 1 ms for each boot whose clock was compared."""
        from apexfix.archive import Unit, open_archive
        from apexfix.wire import Exchange

        serial, log = f"serial-{name}", f"{name}log"
        data = b"".join(packed(sequence) for sequence, packed in enumerate(records, 1))
        with open_archive(self.folder / "archive.sqlite") as archive:
            archive.add_unit(Unit(serial, name, "0.1.0", "MPU-6050"))
            archive.add_segment_bytes(serial, log, 1, 0, data)
            for boot in clocked:
                archive.add_exchange(Exchange(serial, log, boot, DAY_US, 500, 501, DAY_US + 1000, 0))

    def recorded(self):
        """Return what the units of the day recorded."""
        from apexfix.archive import open_archive
        from apexfix.carried import recorded
        from apexfix.day import read_site

        with open_archive(self.folder / "archive.sqlite") as archive:
            return recorded(archive, read_site(self.folder / "site.toml"), self.folder)


@pytest.fixture
def hand_day(tmp_path):
    """An empty day folder to enter units' records into."""
    return HandDay(tmp_path)
