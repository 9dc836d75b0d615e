"""Sentences in, frames out: docs/protocol.md, sections 1 and 2. No port in sight."""

import struct
from binascii import crc32
from micropython import const

_LONGEST_LINE = const(120)
_START = const(0x7E)  # ~
_END = const(0x0A)

TEXT = const(0x48)
CLOCK = const(0x43)
SEGMENT = const(0x53)
DATA = const(0x44)
END = const(0x45)
REFUSAL = const(0x4E)


def crc16(data):
    """CRC-16/IBM-3740, half a byte at a time (polynomial 0x1021, start 0xFFFF)."""
    crc = 0xFFFF
    for byte in data:
        for half in (byte >> 4, byte & 15):
            index = (crc >> 12) ^ half
            crc = ((crc << 4) & 0xFFFF) ^ (index * 0x1021 & 0xFFFF)
    return crc


def cobs(data):
    """Consistent overhead byte stuffing (Cheshire and Baker, 1999)."""
    out = bytearray(len(data) + len(data) // 254 + 2)
    code_at = 0
    at = 1
    for byte in data:
        if at - code_at == 255:  # a full block stands for no zero
            out[code_at] = 255
            code_at = at
            at += 1
        if byte:
            out[at] = byte
        else:
            out[code_at] = at - code_at
            code_at = at
        at += 1
    out[code_at] = at - code_at
    return out[:at]


def frame(kind, tag, payload):
    body = bytes((kind, tag)) + payload
    return b"\0" + cobs(body + struct.pack("<I", crc32(body))) + b"\0"


class Sentences:
    """Bytes in, requests out."""

    def __init__(self):
        self._line = bytearray()
        self._inside = False

    def feed(self, byte):
        """Take one byte; give back (tag, words) when it ends a valid sentence, else None."""
        if byte == _END:
            line = self._line
            inside = self._inside
            self._line = bytearray()
            self._inside = False
            return _request(line) if inside else None
        if byte == _START:
            self._line = bytearray()
            self._inside = True
        elif self._inside:
            if len(self._line) >= _LONGEST_LINE - 1:
                self._inside = False
            else:
                self._line.append(byte)
        return None


def _request(line):
    try:
        text = bytes(line).decode().rstrip("\r")
        said, check = text.rsplit("*", 1)
        if len(check) != 4 or check != "%04X" % crc16(said.encode()):
            return None
        number, words = said.split(" ", 1)
        tag = int(number)
    except ValueError:  # not UTF-8, no star, no verb, no number: a damaged line, which is not answered
        return None
    return (tag, words.split(" ")) if 0 <= tag <= 255 else None
