"""Records of the log as bytes, and back. The layout is docs/protocol.md, section 4."""

import json
import struct
from binascii import crc32
from micropython import const

BOOT = const(1)
PRESS = const(2)
WINDOW = const(3)
NOTE = const(4)
FLIGHT = const(5)
HEALTH = const(6)
AXIS = const(7)

MARK = const(1)
REFERENCE = const(2)
FROM_BUTTON = const(1)
FROM_COMMAND = const(2)

INFORMATION = const(1)
WARNING = const(2)
ERROR = const(3)

NEXT_BY_REFERENCE = const(1)
NEXT_BY_HOLD = const(2)
NEXT_BY_COMMAND = const(3)

UNKNOWN_TEMPERATURE = const(-32768)
SAMPLES_IN_RECORD = const(120)
OVERHEAD = const(14)  # header and check
HEADER = const(10)
LONGEST_PAYLOAD = const(4096)  # longer ones are damage

_MAGIC = b"AX"
_VERSION = const(1)


def record(kind, sequence, payload):
    """One whole record."""
    head = struct.pack("<2sBBHI", _MAGIC, kind, _VERSION, len(payload), sequence)
    return b"".join((head, payload, struct.pack("<I", crc32(payload, crc32(head)))))


def header(data):
    """(kind, version, length, sequence) of the ten bytes before a payload; ValueError where they are none."""
    magic, kind, version, length, sequence = struct.unpack("<2sBBHI", data)
    if magic != _MAGIC or length > LONGEST_PAYLOAD:
        raise ValueError("no record begins here")
    return kind, version, length, sequence


def checks(head, payload, tail):
    """Whether the four bytes after a payload are its CRC-32."""
    return struct.unpack("<I", tail)[0] == crc32(payload, crc32(head))


def boot(description):
    return json.dumps(description, separators=(",", ":")).encode()


def press(kind, source, flight, t_us, boot_number, seen, temperature):
    """seen: what the attitude was at the press."""
    w, x, y, z = seen.q
    ox, oy, oz = seen.offset_rad_s
    head = struct.pack("<BBHqI", kind, source, flight, t_us, boot_number)
    return head + struct.pack("<fffffffqhH", w, x, y, z, ox, oy, oz, seen.still_us, temperature, seen.run)


def window(press_sequence, first, total, temperature, samples):
    """samples: list of (time relative to the press in microseconds, twelve bytes)."""
    payload = bytearray(12 + 16 * len(samples))
    struct.pack_into("<IHHBBh", payload, 0, press_sequence, first, total, len(samples), 0, temperature)
    at = 12
    for t_us, counts in samples:
        struct.pack_into("<i", payload, at, t_us)
        payload[at + 4 : at + 16] = counts
        at += 16
    return payload


def axis(press_sequence, angle):
    """angle: of the stand's axis at the press, in 4096ths of a turn."""
    return struct.pack("<IH", press_sequence, angle)


def note(t_us, severity, text):
    return struct.pack("<qB", t_us, severity) + text.encode()


def flight(t_us, before, after, cause):
    return struct.pack("<qHHB", t_us, before, after, cause)


def flight_after(payload):
    """The flight number that a type 5 record sets."""
    return struct.unpack("<qHHB", payload)[2]


def is_mark_of(payload, flight_number):
    """Whether a type 2 record is a mark of this flight number."""
    kind, _, number = struct.unpack("<BBH", payload[:4])
    return kind == MARK and number == flight_number


def health(t_us, temperature, supply_mv, offset_rad_s, still, lost, free_bytes):
    head = struct.pack("<qhH", t_us, temperature, supply_mv)
    x, y, z = offset_rad_s
    return head + struct.pack("<fffBII", x, y, z, still, lost, min(free_bytes, 0xFFFFFFFF))
