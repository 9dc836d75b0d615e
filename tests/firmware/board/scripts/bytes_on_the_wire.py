"""Checks, stuffing, sentences and records against published check values and the golden records (MicroPython)."""

import json
import os
import struct
from binascii import crc32, hexlify, unhexlify

import desk
from unit import records, wire
from unit.tracker import Moment


def test_the_checks_have_their_published_check_values():
    # Catalogue of parametrised CRC algorithms: CRC-16/IBM-3740 and CRC-32/ISO-HDLC over "123456789".
    assert wire.crc16(b"123456789") == 0x29B1
    assert crc32(b"123456789") == 0xCBF43926
    assert wire.crc16(b"") == 0xFFFF


def test_stuffing_gives_the_published_examples():
    # Cheshire and Baker 1999, as tabulated in many places.
    run = bytes(range(1, 255))
    for plain, stuffed in (
        (b"", b"\1"),
        (b"\0", b"\1\1"),
        (b"\x11\x22\0\x33", b"\3\x11\x22\2\x33"),
        (b"\x11\0\0\0", b"\2\x11\1\1\1"),
        (run, b"\xff" + run),
        (b"\0" + run, b"\1\xff" + run),
        (run + b"\xff", b"\xff" + run + b"\2\xff"),
        (run + b"\0", b"\xff" + run + b"\1\1"),
    ):
        assert bytes(wire.cobs(plain)) == stuffed, plain


def test_frames_of_every_length_come_back():
    for length in list(range(0, 20)) + list(range(240, 270)) + list(range(500, 513)):
        for filling in (0, 1, None):
            payload = bytes((i * 7) & 255 if filling is None else filling for i in range(length))
            assert desk.bodies([wire.frame(0x44, 9, payload)]) == [(0x44, 9, payload)]


def sentence(text):
    return b"~%s*%04X\n" % (text.encode(), wire.crc16(text.encode()))


def heard(data):
    ear = wire.Sentences()
    return [request for request in (ear.feed(byte) for byte in data) if request]


def test_a_sentence_is_understood():
    assert heard(sentence("7 read 1 0 8192")) == [(7, ["read", "1", "0", "8192"])]
    assert heard(sentence("0 hello").replace(b"\n", b"\r\n")) == [(0, ["hello"])]


def test_noise_before_a_sentence_is_dropped():
    assert heard(b"noise ~ 3 half a line ~~" + sentence("3 clock")) == [(3, ["clock"])]
    assert heard(bytes(range(128, 256)) + b"\x03\r\n" + sentence("255 status")) == [(255, ["status"])]


def test_damaged_sentences_are_not_answered():
    good = sentence("7 hello")
    for at in range(len(good) - 1):
        for flip in (1, 0x20, 0x80):
            bad = bytearray(good)
            bad[at] ^= flip
            assert heard(bad) == [], bad
    for text in ("hello", "256 hello", "-1 hello", "x hello", "7"):
        assert heard(sentence(text)) == [], text
    assert heard(b"~7 hello*29b1\n") == []


def test_a_line_may_have_120_bytes_and_no_more():
    longest = "7 set unit " + "x" * (120 - 11 - 6)
    assert len(sentence(longest)) - 1 == 120
    assert len(heard(sentence(longest))) == 1
    assert heard(sentence(longest + "x")) == []
    assert heard(b"~" + b"y" * 500 + b"\n" + sentence("1 hello")) == [(1, ["hello"])]


def golden():
    with open(os.getenv("TEST_DATA") + "/golden_records.json") as file:
        return json.load(file)["records"]


def payload_of(kind, fields):
    """The firmware's packing of the fields of a golden record."""
    f = fields
    if kind == records.PRESS:
        moment = Moment(f["attitude"], f["gyro_offset_rad_s"], f["still_us"], f["run"])
        return records.press(f["kind"], f["source"], f["flight"], f["t_us"], f["boot"], moment, f["temperature_cdeg"])
    if kind == records.WINDOW:
        samples = [(s[0], struct.pack("<hhhhhh", s[1], s[2], s[3], s[4], s[5], s[6])) for s in f["samples"]]
        return records.window(f["press"], f["first"], f["total"], f["temperature_cdeg"], samples)
    if kind == records.NOTE:
        return records.note(f["t_us"], f["severity"], f["text"])
    if kind == records.FLIGHT:
        return records.flight(f["t_us"], f["before"], f["after"], f["cause"])
    if kind == records.HEALTH:
        offset = f["gyro_offset_rad_s"]
        return records.health(f["t_us"], f["temperature_cdeg"], f["supply_mv"], offset, f["still"], f["lost"], f["free_bytes"])
    if kind == records.AXIS:
        return records.axis(f["press"], f["angle"])
    return f["json"].encode()


def test_golden_records_are_packed_to_the_byte():
    seen = set()
    for entry in golden():
        payload = payload_of(entry["type"], entry["fields"])
        made = records.record(entry["type"], entry["sequence"], payload)
        assert hexlify(made).decode() == entry["hex"], entry["name"]
        seen.add(entry["type"])
    assert seen == {1, 2, 3, 4, 5, 6, 7}


def test_a_boot_record_is_the_json_of_what_is_said():
    assert json.loads(records.boot({"level": 1, "selftest": [["imu", "ok", "x"]]})) == {"level": 1, "selftest": [["imu", "ok", "x"]]}


def test_sizes_are_those_of_the_page():
    moment = Moment((1, 0, 0, 0), (0, 0, 0), -1, 1)
    assert len(records.press(1, 1, 1, 0, 1, moment, 0)) == 56
    assert len(records.window(1, 0, 120, 0, [(0, bytes(12))] * 120)) == 12 + 120 * 16
    assert len(records.record(4, 0, b"")) == records.OVERHEAD


desk.run(globals())
