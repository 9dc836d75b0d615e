"""Bytes to messages and back, no port in sight: the frames of docs/protocol.md, sections 1 and 2.

Framing is consistent overhead byte stuffing (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999). The checks
are CRC-16/IBM-3740 for requests and CRC-32/ISO-HDLC for answers, both from the standard library.
"""

import json
import struct
from binascii import crc32, crc_hqx
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from apexfix.fields import cleaned

PROTOCOL_LEVEL: Final = 1
LONGEST_LINE: Final = 120  # bytes of a request, line feed included
LONGEST_PAYLOAD: Final = 512
LONGEST_READ: Final = 8192  # bytes that one `read` may ask for
_LONGEST_BODY: Final = LONGEST_PAYLOAD + 6
_LONGEST_FRAME: Final = _LONGEST_BODY + _LONGEST_BODY // 254 + 1
LATEST_US: Final = 1 << 53  # since a boot, or 1970: 285 years
_PROMPT: Final = b">>> "
_TEXT_BYTES: Final = frozenset(range(0x20, 0x7F)) | frozenset(b"\t\r\n")


@dataclass(frozen=True, slots=True)
class Text:
    """A JSON object."""

    tag: int
    value: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class ClockReply:
    """When the unit had read the request and when it wrote this, in microseconds since its boot."""

    tag: int
    t2_us: int
    t3_us: int
    boot: int


@dataclass(frozen=True, slots=True)
class SegmentEntry:
    """One file of the unit's log."""

    tag: int
    number: int
    length: int
    closed: bool  # False: it may still grow


@dataclass(frozen=True, slots=True)
class Data:
    """Bytes of a segment."""

    tag: int
    segment: int
    offset: int
    data: bytes


@dataclass(frozen=True, slots=True)
class End:
    """The answer is over; so many frames came before."""

    tag: int
    count: int


@dataclass(frozen=True, slots=True)
class Refusal:
    """The unit will not do it."""

    tag: int
    code: int
    text: str


@dataclass(frozen=True, slots=True)
class Noise:
    """Bytes that are no frame, in their printable part: a banner, a traceback, a damaged frame."""

    text: str


@dataclass(frozen=True, slots=True)
class Prompt:
    """The interpreter's prompt: no unit is running."""


Answer = Text | ClockReply | SegmentEntry | Data | End | Refusal
Event = Answer | Noise | Prompt


@dataclass(frozen=True, slots=True)
class Exchange:
    """Four stamps of one request and its answer (RFC 5905, section 8), and the host's steady clock beside the first."""

    serial: str
    log: str
    boot: int
    t1_utc_us: int  # host, just before the request was written
    t2_us: int  # unit, request read
    t3_us: int  # unit, answer about to be written
    t4_utc_us: int  # host, answer read
    monotonic_us: int  # host's steady clock at t1; shows a step of the host's UTC


def encode_request(tag: int, verb: str, *args: str | int) -> bytes:
    r"""Return the line that asks for ``verb``.

    Raises
    ------
    ValueError
        The tag is not 0-255, a word is empty or not made of printable ASCII without spaces, or the line is too long.

    Examples
    --------
    >>> encode_request(7, "hello")
    b'~7 hello*476D\n'
    """
    if not 0 <= tag <= 255:
        raise ValueError(f"a tag is 0-255, not {tag}")
    words = [str(tag), verb, *map(str, args)]
    for word in words:
        if not word or not word.isascii() or not word.isprintable() or any(mark in word for mark in " ~"):
            raise ValueError(f"{word!r} cannot be sent: a word is printable ASCII without spaces and without ~")
    text = " ".join(words).encode("ascii")
    line = b"~%s*%04X\n" % (text, crc_hqx(text, 0xFFFF))
    if len(line) > LONGEST_LINE:
        raise ValueError(f"the request is {len(line)} bytes long, a line holds {LONGEST_LINE}")
    return line


class Receiver:
    """Bytes in, events out; any chunking gives the same events. Holds at most one frame."""

    def __init__(self) -> None:
        self._pending = bytearray()
        self._overlong = False

    def feed(self, received: bytes) -> Iterator[Event]:
        """Yield what the bytes complete. Noise comes out when a zero byte or its length ends it, a prompt at once."""
        start = 0
        while start < len(received):
            stop = received.find(0, start, start + _LONGEST_FRAME + 1 - len(self._pending))
            ends_here = stop >= 0
            if not ends_here:
                stop = min(len(received), start + _LONGEST_FRAME + 1 - len(self._pending))
            yield from self._append(received[start:stop])
            start = stop + ends_here
            if ends_here:
                yield from self._close()
            elif len(self._pending) > _LONGEST_FRAME:
                self._overlong = True
                yield from self._noise()

    def _append(self, piece: bytes) -> Iterator[Event]:
        before = len(self._pending)
        self._pending += piece
        at = self._pending.find(_PROMPT, max(0, before - len(_PROMPT) + 1))
        while at >= 0:
            if (at == 0 or self._pending[at - 1] == 0x0A) and _TEXT_BYTES.issuperset(self._pending[:at]):
                yield Prompt()
            at = self._pending.find(_PROMPT, at + 1)

    def _close(self) -> Iterator[Event]:
        answer = None if self._overlong else _answer(bytes(self._pending))
        if answer is None:
            yield from self._noise()
        else:
            self._pending.clear()
            yield answer
        self._overlong = False

    def _noise(self) -> Iterator[Event]:
        text = printable_part(self._pending)
        self._pending.clear()
        if text:
            yield Noise(text)


def printable_part(raw: bytes | bytearray) -> str:
    """Return the bytes that are ASCII text, the others left out."""
    return bytes(byte for byte in raw if byte in _TEXT_BYTES).decode("ascii")


def cobs_encode(raw: bytes) -> bytes:
    """Return the bytes stuffed so that none is zero, without delimiters.

    >>> cobs_encode(bytes.fromhex("11220033")).hex(" ")
    '03 11 22 02 33'
    """
    stuffed = bytearray()
    runs = raw.split(b"\0")
    for last, run in enumerate(runs, 1 - len(runs)):
        while len(run) > 254 or (len(run) == 254 and last != 0):
            stuffed += b"\xff" + run[:254]
            run = run[254:]
        stuffed += bytes([len(run) + 1]) + run
    return bytes(stuffed)


def cobs_decode(stuffed: bytes) -> bytes:
    """Return what was stuffed.

    Raises
    ------
    ValueError
        The bytes contain a zero or end inside a run.
    """
    raw = bytearray()
    at = 0
    while at < len(stuffed):
        code = stuffed[at]
        run = stuffed[at + 1 : at + code]
        if code == 0 or len(run) != code - 1 or 0 in run:
            raise ValueError(f"byte {at} of {len(stuffed)} begins a run of {code} that does not fit")
        raw += run
        at += code
        if code != 0xFF and at < len(stuffed):
            raw.append(0)
    return bytes(raw)


def _answer(stuffed: bytes) -> Answer | None:
    try:
        body = cobs_decode(stuffed)
        if not 6 <= len(body) <= _LONGEST_BODY or crc32(body[:-4]) != int.from_bytes(body[-4:], "little"):
            return None
        return _decoded(body[0], body[1], body[2:-4])
    except (ValueError, struct.error, RecursionError):
        return None


def _decoded(kind: int, tag: int, payload: bytes) -> Answer | None:
    """Return the message of a checked frame, None for a kind of a later level; ValueError or struct.error if it is misshapen."""
    match kind:
        case 0x48:
            return Text(tag, _json_object(payload))
        case 0x43:
            t2_us, t3_us, boot = struct.unpack("<qqI", payload)
            return ClockReply(tag, t2_us, t3_us, boot) if -LATEST_US < t2_us <= t3_us < LATEST_US else None
        case 0x53:
            number, length, state = struct.unpack("<IIB", payload)
            return SegmentEntry(tag, number, length, closed=state == 1)
        case 0x44:
            segment, offset = struct.unpack_from("<II", payload)
            return Data(tag, segment, offset, payload[8:]) if len(payload) > 8 else None
        case 0x45:
            return End(tag, *struct.unpack("<I", payload))
        case 0x4E:
            text = payload[1:].decode("utf-8", "replace")
            return Refusal(tag, payload[0], "".join(c if c.isprintable() else "\ufffd" for c in text)) if payload else None
    return None


def _json_object(payload: bytes) -> Mapping[str, object]:
    value = cleaned(json.loads(payload.decode("utf-8")))
    if not isinstance(value, dict):
        raise ValueError(f"a JSON object belongs here, not {type(value).__name__}")
    return value
