"""main.py itself, unchanged, with a host at the other end of its standard input and output."""

import json
import os
import re
import select
import signal
import struct
import subprocess
import time
import zlib
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
FIRMWARE = HERE.parents[1] / "firmware"
PATIENCE_S = 30.0  # for a loaded machine; nothing here is timed


def crc16(data):
    """CRC-16/IBM-3740 by the definition, one bit at a time."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def sentence(tag, text):
    said = f"{tag} {text}".encode()
    return b"~" + said + b"*%04X\n" % crc16(said)


def unstuffed(data):
    out = bytearray()
    while data:
        code, rest = data[0], data[1:]
        if code == 0 or len(rest) < code - 1:
            return b""
        out += rest[: code - 1]
        data = rest[code - 1 :]
        if code < 255 and data:
            out.append(0)
    return bytes(out)


def frames(data):
    """(kind, tag, payload) of everything between zeros that checks."""
    bodies = [unstuffed(piece) for piece in data.split(b"\0")]
    good = [body for body in bodies if len(body) >= 6 and zlib.crc32(body[:-4]) == struct.unpack("<I", body[-4:])[0]]
    return [(body[0], body[1], body[2:-4]) for body in good]


class Unit:
    """A running unit; what it said so far."""

    def __init__(self, micropython, folder):
        self.process = subprocess.Popen(
            [micropython, FIRMWARE / "main.py"],
            cwd=folder,
            env={"MICROPYPATH": f"{HERE / 'board'}:{FIRMWARE}:.frozen"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        self.said = b""

    def tell(self, data):
        self.process.stdin.write(data)
        self.process.stdin.flush()

    def hear(self, until):
        """Read until a condition on what was said holds."""
        stop = time.monotonic() + PATIENCE_S
        while not until(self.said):
            assert time.monotonic() < stop, self.said[-2000:]
            if select.select([self.process.stdout], [], [], 0.1)[0]:
                got = os.read(self.process.stdout.fileno(), 65536)
                assert got, self.said[-2000:]
                self.said += got

    def answer(self, tag, text):
        """Ask, and give back the frames with that tag up to the one that ends the answer."""
        self.tell(sentence(tag, text))
        self.hear(lambda said: any(kind in b"HCEN" and found == tag for kind, found, _ in frames(said)))
        return [frame for frame in frames(self.said) if frame[1] == tag]


@pytest.fixture
def unit(micropython, tmp_path):
    running = Unit(micropython, tmp_path)
    yield running
    running.process.kill()
    running.process.communicate()


def test_a_unit_answers_hello_clock_segments_and_read(unit):
    ((kind, _, payload),) = unit.answer(1, "hello")
    assert chr(kind) == "H"
    assert json.loads(payload)["level"] == 1
    ((kind, _, payload),) = unit.answer(2, "clock")
    t2_us, t3_us, boot = struct.unpack("<qqI", payload)
    assert 0 < t2_us <= t3_us
    assert boot == 1
    segments = unit.answer(3, "segments")
    assert [chr(kind) for kind, _, _ in segments] == ["S", "E"]
    data = unit.answer(4, "read 1 0 10")
    assert data[0][2] == struct.pack("<II", 1, 0) + b"AX" + data[0][2][10:]


def test_noise_and_broken_sentences_do_not_disturb(unit):
    unit.tell(b"\xff\x00noise\r\n~1 hello*0000\n~~~\n" + sentence(9, "hello").replace(b"9", b"8", 1))
    assert [tag for _, tag, _ in unit.answer(5, "hello")] == [5]
    assert {tag for _, tag, _ in frames(unit.said)} == {5}


def test_a_host_that_stops_reading_costs_its_answers_and_nothing_else(unit):
    unit.answer(1, "press mark")
    unit.hear(lambda said: True)
    while json.loads(unit.answer(2, "status")[-1][2])["unsaved"]:
        unit.said = b""
    # A pipe holds 64 KiB; thirty answers of six kilobytes do not fit while nobody reads.
    for tag in range(10, 40):
        unit.tell(sentence(tag, "read 1 0 8192"))
    time.sleep(1.0)
    unit.said = b""
    status = json.loads(unit.answer(3, "status")[-1][2])
    whole = [tag for kind, tag, _ in frames(unit.said) if kind == ord("E") and 10 <= tag < 40]
    assert len(whole) < 30, "the pipe took everything: nothing was tested"
    assert status["lost"] == 0
    assert status["last_error"] == ""


def test_the_interrupt_reaches_the_prompt_and_leaves_a_whole_log(unit, tmp_path):
    unit.answer(1, "hello")
    unit.process.send_signal(signal.SIGINT)  # what the board makes of the byte 0x03
    said, _ = unit.process.communicate(timeout=PATIENCE_S)
    assert re.search(rb"KeyboardInterrupt", said)
    log = (tmp_path / "log" / "00001.seg").read_bytes()
    length = struct.unpack("<H", log[4:6])[0]
    assert struct.unpack("<I", log[10 + length : 14 + length])[0] == zlib.crc32(log[: 10 + length])


def test_an_error_at_start_up_is_printed(micropython, tmp_path):
    (tmp_path / "pins.py").write_text("")
    path = f"{tmp_path}:{HERE / 'board'}:{FIRMWARE}:.frozen"
    command = [micropython, "-c", "import main"]
    done = subprocess.run(command, cwd=tmp_path, env={"MICROPYPATH": path}, capture_output=True, text=True, timeout=PATIENCE_S)
    assert "AttributeError" in done.stderr + done.stdout
