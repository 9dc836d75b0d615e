"""The records of a unit's log (docs/protocol.md, section 4): bytes in, records out, whatever happened to the bytes."""

import json
import struct
from binascii import crc32
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from math import hypot
from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.fields import cleaned, safe_text

_MAGIC: Final = b"AX"
_HEAD: Final = struct.Struct("<2sBBHI")
_PRESS: Final = struct.Struct("<BBHqIfffffffqhH")
_WINDOW: Final = struct.Struct("<IHHBBh")
_FLIGHT: Final = struct.Struct("<qHHB")
_HEALTH: Final = struct.Struct("<qhHfffBII")
_AXIS: Final = struct.Struct("<IH")
_SAMPLE: Final = np.dtype([("t_us", "<i4"), ("accel", "<i2", 3), ("gyro", "<i2", 3)])
_MOST_SAMPLES: Final = 120
_UNKNOWN_TEMPERATURE: Final = -32768
_LATEST_US: Final = 1 << 53  # since a boot, or 1970: 285 years
_UNIT_TOLERANCE: Final = 0.01  # of the length of a quaternion in single precision, and then some
_STEPS: Final = 4096  # of a turn, by the encoder
_FASTEST_RAD_S: Final = 100.0  # nearly three times what any sensor of this kind can tell
MARK: Final = 1
REFERENCE: Final = 2
BUTTON: Final = 1  # the source of a press


@dataclass(frozen=True, slots=True)
class Boot:
    """The unit was switched on."""

    sequence: int
    raw: bytes
    boot: int
    log: str
    unit: str
    serial: str
    value: Mapping[str, object]  # all that the record says: scales, axes, calibration, self-test


@dataclass(frozen=True, slots=True)
class Press:
    """A button was pressed."""

    sequence: int
    raw: bytes
    kind: int  # 1 mark, 2 reference
    source: int  # 1 button, 2 command
    flight: int
    t_us: int
    boot: int
    level_from_body: tuple[float, float, float, float]  # w, x, y, z
    gyro_offset_rad_s: tuple[float, float, float]  # body axes
    still_us: int | None  # when the offset was renewed; None never
    temperature_celsius: float | None
    run: int  # presses with equal (boot, run) share one heading


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Raw samples around a press, in sensor axes."""

    sequence: int
    raw: bytes
    press: int  # sequence of its press
    first: int  # index of the first sample in the whole window
    total: int  # samples of the whole window
    temperature_celsius: float | None
    t_us: NDArray[np.int32]  # (N,) from the press
    accel_counts: NDArray[np.int16]  # (N, 3)
    gyro_counts: NDArray[np.int16]  # (N, 3)


@dataclass(frozen=True, slots=True)
class Note:
    """The unit tells a person something."""

    sequence: int
    raw: bytes
    t_us: int
    severity: int  # 1 information, 2 warning, 3 error
    text: str


@dataclass(frozen=True, slots=True)
class FlightNumber:
    """The flight number changed."""

    sequence: int
    raw: bytes
    t_us: int
    before: int
    after: int
    cause: int  # 1 reference press after a mark, 2 reference held, 3 command


@dataclass(frozen=True, slots=True)
class Health:
    """How the unit is, once a minute."""

    sequence: int
    raw: bytes
    t_us: int
    temperature_celsius: float | None
    supply_mv: int | None
    gyro_offset_rad_s: tuple[float, float, float]
    still: bool
    lost: int
    free_bytes: int


@dataclass(frozen=True, slots=True)
class Axis:
    """Where the stand's axis stood at a press, by the encoder on it."""

    sequence: int
    raw: bytes
    press: int  # sequence of its press
    angle: int  # 4096ths of a turn


@dataclass(frozen=True, slots=True)
class Unknown:
    """A record whose check is right, but whose type, version or shape this reader does not know."""

    sequence: int
    raw: bytes
    type: int
    version: int


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes that are part of no record. A torn tail is normal after a power cut."""

    offset: int  # from the begin of the segment
    length: int


Record = Boot | Press | Window | Note | FlightNumber | Health | Axis | Unknown


class Scanner:
    """Bytes of one segment in, records out; any chunking gives the same records."""

    def __init__(self) -> None:
        self._pending = b""
        self._offset = 0  # of pending in the segment
        self._passed = 0  # damaged bytes directly before pending

    def feed(self, received: bytes) -> Iterator[Record | Damage]:
        """Yield what the bytes complete."""
        self._pending += received
        yield from self._walk(at_end=False)

    def finish(self) -> Iterator[Record | Damage]:
        """Yield what is left when no more bytes come: records behind a false begin, and a torn tail as damage."""
        yield from self._walk(at_end=True)

    def _walk(self, *, at_end: bool) -> Iterator[Record | Damage]:
        view, at = self._pending, 0
        while at < len(view):
            size = _record_size(view, at)
            if size < 0 and not at_end:
                break
            if size > 0:
                yield from self._damage(at)
                yield record_from(view[at : at + size])
                at += size
            else:
                following = view.find(_MAGIC[:1], at + 1)
                step = (following if following >= 0 else len(view)) - at
                self._passed += step
                at += step
        self._offset += at
        self._pending = view[at:]
        if at_end:
            yield from self._damage(0)

    def _damage(self, at: int) -> Iterator[Damage]:
        if self._passed:
            yield Damage(self._offset + at - self._passed, self._passed)
        self._passed = 0


def scan(segment: bytes) -> tuple[Record | Damage, ...]:
    """Return the records of a segment, and the damage between them, in the order of the bytes."""
    scanner = Scanner()
    return (*scanner.feed(segment), *scanner.finish())


def is_sound(raw: bytes) -> bool:
    """Tell whether bytes are one whole record and agree with its checksum."""
    return len(raw) > len(_MAGIC) and _record_size(raw, 0) == len(raw)


def record_from(raw: bytes) -> Record:
    """Return the record of checked bytes."""
    _, kind, version, _, sequence = _HEAD.unpack_from(raw)
    payload = raw[_HEAD.size : -4]
    reader = _READERS.get(kind) if version == 1 else None
    try:
        if reader is not None:
            return reader(sequence, raw, payload)
    except (ValueError, KeyError, TypeError, RecursionError, struct.error):
        pass  # the check is right and the shape is wrong: kept whole, as a type that we do not know
    return Unknown(sequence, raw, kind, version)


def _record_size(view: bytes, at: int) -> int:
    """Return the size of the sound record at a place, 0 where there is none, -1 where more bytes are needed to tell."""
    if not _MAGIC.startswith(view[at : at + 2]):
        return 0
    if len(view) - at < _HEAD.size:
        return -1
    size = _HEAD.size + int.from_bytes(view[at + 4 : at + 6], "little") + 4
    if len(view) - at < size:
        return -1
    sound = crc32(view[at : at + size - 4]) == int.from_bytes(view[at + size - 4 : at + size], "little")
    return size if sound else 0


def _boot(sequence: int, raw: bytes, payload: bytes) -> Boot:
    value = cleaned(json.loads(payload.decode("utf-8")))
    if not isinstance(value, dict) or not isinstance(value["boot"], int):
        raise ValueError("a boot record is a JSON object with a whole boot number")
    return Boot(sequence, raw, value["boot"], str(value["log"]), str(value["unit"]), str(value["serial"]), value)


def _press(sequence: int, raw: bytes, payload: bytes) -> Press:
    kind, source, flight, t_us, boot, w, x, y, z, gx, gy, gz, still_us, temperature, run = _PRESS.unpack(payload)
    still = None if still_us < 0 else still_us
    attitude, offset = (w, x, y, z), (gx, gy, gz)
    length = hypot(*attitude)
    # a comparison with what is no number is never true
    if not (length == 0 or abs(length - 1) < _UNIT_TOLERANCE) or not all(abs(rate) < _FASTEST_RAD_S for rate in offset):
        raise ValueError(f"attitude {attitude} and offset {offset} rad/s cannot be")
    return Press(
        sequence, raw, kind, source, flight, _possible_us(t_us), boot, attitude, offset, still, _celsius(temperature), run
    )  # fmt: skip


def _possible_us(t_us: int) -> int:
    """Return a stamp; ValueError where no clock of a unit or a host can show it."""
    if not -_LATEST_US < t_us < _LATEST_US:
        raise ValueError(f"{t_us} us is more than 285 years away")
    return t_us


def _window(sequence: int, raw: bytes, payload: bytes) -> Window:
    press, first, total, count, _, temperature = _WINDOW.unpack_from(payload)
    if count > _MOST_SAMPLES or first + count > total or len(payload) != _WINDOW.size + count * _SAMPLE.itemsize:
        raise ValueError(f"{count} samples from {first} of {total} do not fit {len(payload)} bytes")
    samples = np.frombuffer(payload, _SAMPLE, count, _WINDOW.size)
    if np.any(samples["t_us"][1:] <= samples["t_us"][:-1]):
        raise ValueError("the times of a window do not rise")
    return Window(
        sequence, raw, press, first, total, _celsius(temperature), samples["t_us"], samples["accel"], samples["gyro"]
    )  # fmt: skip


def _note(sequence: int, raw: bytes, payload: bytes) -> Note:
    t_us, severity = struct.unpack_from("<qB", payload)
    return Note(sequence, raw, _possible_us(t_us), severity, safe_text(payload[9:].decode("utf-8", "replace")))


def _flight_number(sequence: int, raw: bytes, payload: bytes) -> FlightNumber:
    t_us, before, after, cause = _FLIGHT.unpack(payload)
    return FlightNumber(sequence, raw, _possible_us(t_us), before, after, cause)


def _health(sequence: int, raw: bytes, payload: bytes) -> Health:
    t_us, temperature, supply_mv, gx, gy, gz, still, lost, free = _HEALTH.unpack(payload)
    return Health(
        sequence, raw, _possible_us(t_us), _celsius(temperature), supply_mv or None, (gx, gy, gz), bool(still), lost, free
    )


def _axis(sequence: int, raw: bytes, payload: bytes) -> Axis:
    press, angle = _AXIS.unpack(payload)
    if angle >= _STEPS:
        raise ValueError(f"{angle} of {_STEPS} steps is no angle")
    return Axis(sequence, raw, press, angle)


_READERS: Final[Mapping[int, Callable[[int, bytes, bytes], Record]]] = {
    1: _boot, 2: _press, 3: _window, 4: _note, 5: _flight_number, 6: _health, 7: _axis,
}  # fmt: skip


def _celsius(hundredths: int) -> float | None:
    return None if hundredths == _UNKNOWN_TEMPERATURE else hundredths / 100
