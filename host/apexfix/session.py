"""A conversation with one unit over any line: ask, wait, ask again, and say how far it got (docs/protocol.md, section 3)."""

import json
import time
from base64 import b64encode
from binascii import crc32
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, Protocol

from apexfix.errors import UnitError
from apexfix.wire import (
    LONGEST_READ,
    PROTOCOL_LEVEL,
    Answer,
    ClockReply,
    Data,
    End,
    Event,
    Exchange,
    Noise,
    Prompt,
    Receiver,
    Refusal,
    SegmentEntry,
    Text,
    encode_request,
)

_KEPT_NOISE: Final = 4000  # characters; a traceback of MicroPython is well below
_LARGEST_SEGMENT: Final = 1 << 17  # twice what a unit writes; a talker without end must fill neither disk nor time
_SOFT_RESET: Final = b"\x04"
_NO_SUCH_SEGMENT: Final = 3
_PART_BYTES: Final = 60
NOT_NOW: Final = 4  # of a refusal: busy with a press, or the segment is open


class Line(Protocol):
    """What a session needs of a port."""

    def read(self, most: int) -> bytes:
        """Return up to ``most`` bytes after a short bounded wait, none where none came."""

    def write(self, data: bytes) -> None:
        """Send all the bytes."""


def _system_utc_us() -> int:
    """Return the host's UTC. Where the system's clock ticks coarsely, wait for the tick, so that the stamp is true."""
    now = time.time_ns()
    if time.get_clock_info("time").resolution > 1e-3:  # 15.6 ms on Windows
        before = now
        while now == before:
            now = time.time_ns()
    return now // 1000


def _system_monotonic_us() -> int:
    return time.perf_counter_ns() // 1000  # the finest steady clock on all three systems


@dataclass(frozen=True, slots=True)
class HostClock:
    """The clocks of the host. Stamps may be invented (a simulated day); waiting goes by ``elapsed_s``."""

    utc_us: Callable[[], int] = _system_utc_us
    monotonic_us: Callable[[], int] = _system_monotonic_us
    elapsed_s: Callable[[], float] = time.monotonic


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait and how often to ask."""

    answer_s: float = 1.0  # for the next frame of an answer
    start_s: float = 6.0  # for a unit to start after a soft reset
    attempts: int = 5  # without any progress


@dataclass(frozen=True, slots=True)
class Identity:
    """Who a unit says it is."""

    unit: str
    serial: str
    log: str
    boot: int
    firmware: str
    imu: str


class Refused(UnitError):
    """The unit will not do it; the codes are those of docs/protocol.md, section 2."""

    def __init__(self, verb: str, code: int, text: str) -> None:
        self.code = code
        super().__init__(f"the unit refused {verb!r} (code {code}): {text}")


class Session:
    """One unit at the other end of a line. Every wait is bounded."""

    def __init__(self, line: Line, host: HostClock | None = None, patience: Patience | None = None) -> None:
        self._line = line
        self._host = host or HostClock()
        self._patience = patience or Patience()
        self._receiver = Receiver()
        self._heard: deque[Event] = deque()  # what came behind the end of an answer is heard with the next
        self._tag = 0
        self._noise = ""
        self._was_reset = False
        self._identity: Identity | None = None

    def hello(self) -> Identity:
        """Return who the unit is; UnitError where it speaks another level or is no unit."""
        value = self._text("hello")
        if value.get("level") != PROTOCOL_LEVEL:
            raise UnitError(
                f"the unit speaks level {_shown(value.get('level'))}, this host level {PROTOCOL_LEVEL}; "
                "install the firmware and the host of one release"
            )
        self._identity = _identity(value)
        return self._identity

    def exchange(self) -> Exchange:
        """Return one exchange of clocks. The fourth stamp is the first and the steady time since, so no step of UTC is in it.

        Raises UnitError where the unit does not answer, or where another unit or log answers than before.
        """
        for _ in range(self._patience.attempts):
            known = self._identity or self.hello()
            stamped = self._stamped_clock()
            if stamped is not None and stamped[1].boot == known.boot:
                (t1_utc_us, start_us, end_us), reply = stamped
                t4_utc_us = t1_utc_us + end_us - start_us
                return Exchange(known.serial, known.log, known.boot, t1_utc_us, reply.t2_us, reply.t3_us, t4_utc_us, start_us)
            self._renew(known)
        raise self._silence("clock", "no exchange of clocks succeeded")

    def segments(self) -> tuple[SegmentEntry, ...]:
        """Return the files of the log, oldest first."""
        last = 0
        for _ in range(self._patience.attempts):
            answers = self._ask("segments")
            entries = tuple({entry.number: entry for entry in answers if isinstance(entry, SegmentEntry)}.values())
            end = answers[-1]
            if isinstance(end, End) and end.count == len(entries):
                return tuple(sorted(entries, key=lambda entry: entry.number))
            last = len(entries)
        raise self._silence("segments", f"the list of segments came incomplete, the last time with {last} entries")

    def read_segment(self, number: int, offset: int = 0) -> Iterator[bytes]:
        """Yield the bytes of a segment from an offset to its present end, in order, in pieces of at most 8192 bytes.

        Raises UnitError, with how far it got, where the unit stops answering; what was yielded before is sound.
        """
        fruitless = 0
        while offset < _LARGEST_SEGMENT:
            piece, ended = self._read_piece(number, offset)
            if piece:
                fruitless = 0
                offset += len(piece)
                yield piece
            elif ended:
                return
            else:
                fruitless += 1
            if fruitless >= self._patience.attempts:
                raise self._silence("read", f"segment {number} came up to byte {offset}")
        raise UnitError(f"segment {number} does not end at byte {offset}, a unit writes at most 65536; renew its firmware")

    def forget(self, number: int, length: int, crc32: int) -> None:
        """Erase a closed segment that has exactly this length and checksum. Where it is gone already, that is as good.

        Raises Refused with code 4 where the unit was busy each time it was asked, with another code where it never will.
        """
        for last in range(1 - self._patience.attempts, 1):
            try:
                return self._done("forget", number, length, f"{crc32:08X}")
            except Refused as refusal:
                if refusal.code == _NO_SUCH_SEGMENT:  # erased at an earlier try, whose answer was lost
                    return None
                if refusal.code != NOT_NOW or last == 0:
                    raise
            self._wait(self._patience.answer_s)

    def flight(self, number: int) -> None:
        """Set the flight number, 1-9999."""
        self._done("flight", number)

    def press(self, kind: str) -> None:
        """Press "mark" or "reference" by command; the record says so."""
        self._done("press", kind)

    def locate(self) -> None:
        """Let the unit blink and beep for two seconds."""
        self._done("locate")

    def set(self, key: str, value: object) -> None:
        """Change one setting; UnitError where the value does not fit into a request or the unit refuses it."""
        self._done("set", key, json.dumps(value, separators=(",", ":")))

    def upload(self, key: str, value: object) -> None:
        """Change a setting that is too long for `set`, as a whole or not at all; UnitError where the unit refuses it."""
        text = json.dumps(value, separators=(",", ":")).encode()
        check = f"{crc32(text):08X}"
        have = self._text("upload", key, len(text), check).get("have")
        for offset in range(have if isinstance(have, int) else 0, len(text), _PART_BYTES):
            self._done("part", offset, b64encode(text[offset : offset + _PART_BYTES]).decode())
        self._done("adopt", key, check)

    def status(self) -> dict[str, object]:
        """Return what the unit sees now."""
        return self._text("status")

    def config(self) -> dict[str, object]:
        """Return the unit's settings."""
        return self._text("config")

    # --- asking -----------------------------------------------------------------------------------------------------

    def _text(self, verb: str, *args: str | int) -> dict[str, object]:
        answer = self._ask(verb, *args)[-1]
        if not isinstance(answer, Text):
            raise UnitError(f"the unit answered {verb!r} with {type(answer).__name__}, a text was expected")
        return dict(answer.value)

    def _done(self, verb: str, *args: str | int) -> None:
        answer = self._ask(verb, *args)[-1]
        if not isinstance(answer, End):
            raise UnitError(f"the unit answered {verb!r} with {type(answer).__name__}, an end was expected")

    def _ask(self, verb: str, *args: str | int) -> tuple[Answer, ...]:
        """Return a finished answer; asks again with a new tag where it does not come, UnitError where it never does."""
        for _ in range(self._patience.attempts):
            self._send(verb, *args)
            answers = tuple(self._answers())
            if answers and not isinstance(answers[-1], SegmentEntry | Data):
                _raise_refusal(verb, answers[-1])
                return answers
        raise self._silence(verb, f"no answer in {self._patience.attempts} tries")

    def _send(self, verb: str, *args: str | int) -> None:
        self._tag = (self._tag + 1) % 256
        try:
            request = encode_request(self._tag, verb, *args)
        except ValueError as error:
            raise UnitError(f"{verb}: {error}") from error
        self._line.write(request)

    def _answers(self) -> Iterator[Answer]:
        """Yield the frames that carry the present tag until the answer is whole or the next one does not come in time."""
        now = self._host.elapsed_s
        quiet_after = now() + self._patience.answer_s
        give_up_after = now() + 20 * self._patience.answer_s  # an unknown talker must not hold us by talking
        while now() < min(quiet_after, give_up_after):
            if not self._heard:
                self._heard.extend(self._receiver.feed(self._line.read(4096)))
            while self._heard:
                match self._heard.popleft():
                    case Noise(text):
                        self._noise = (self._noise + text)[-_KEPT_NOISE:]
                    case Prompt():
                        self._leave_prompt()
                        return
                    case answer if answer.tag == self._tag:
                        quiet_after = now() + self._patience.answer_s
                        yield answer
                        if not isinstance(answer, SegmentEntry | Data):
                            return

    def _wait(self, wait_s: float) -> None:
        until = self._host.elapsed_s() + wait_s
        while self._host.elapsed_s() < until:
            self._heard.extend(self._receiver.feed(self._line.read(4096)))

    def _leave_prompt(self) -> None:
        if self._was_reset:
            raise self._silence("reset", "an interpreter's prompt came instead of a unit, also after a soft reset")
        self._was_reset = True
        self._line.write(_SOFT_RESET)
        until = self._host.elapsed_s() + self._patience.start_s
        while self._host.elapsed_s() < until and not self._line.read(4096):
            pass  # the first sign of life ends the wait; requests are repeated anyway

    def _read_piece(self, number: int, offset: int) -> tuple[bytes, bool]:
        """Return what arrived without a gap from an offset, and whether the unit said that nothing is there."""
        self._send("read", number, offset, LONGEST_READ)
        pieces: dict[int, bytes] = {}
        ended = False
        for answer in self._answers():
            _raise_refusal("read", answer)
            match answer:
                case Data(segment=segment) if segment == number and offset <= answer.offset < offset + LONGEST_READ:
                    pieces.setdefault(answer.offset, answer.data)
                case End(count=count):
                    ended = count == 0
        return _joined(pieces, offset), ended and not pieces

    def _stamped_clock(self) -> tuple[tuple[int, int, int], ClockReply] | None:
        t1_utc_us = self._host.utc_us()
        start_us = self._host.monotonic_us()
        self._send("clock")
        for answer in self._answers():
            end_us = self._host.monotonic_us()
            _raise_refusal("clock", answer)
            if isinstance(answer, ClockReply):
                return (t1_utc_us, start_us, end_us), answer
        return None

    def _renew(self, known: Identity) -> None:
        """Ask who is there after a silence or a new boot number; UnitError where it is not the same unit and log."""
        found = self.hello()
        if (found.serial, found.log) != (known.serial, known.log):
            raise UnitError(
                f"unit {found.serial} with log {found.log} answers where {known.serial} with log {known.log} did; pull again"
            )

    def _silence(self, verb: str, what: str) -> UnitError:
        at = self._noise.find("Traceback")
        quoted = f"; the unit printed: {self._noise[at:].strip()}" if at >= 0 else ""
        return UnitError(f"{verb}: {what}; look at cable, power and port, then try again{quoted}")


def _joined(pieces: dict[int, bytes], offset: int) -> bytes:
    joined = bytearray()
    for start in sorted(pieces):
        have = offset + len(joined)
        if start > have:
            break
        joined += pieces[start][have - start :]
    return bytes(joined)


def _raise_refusal(verb: str, answer: Answer) -> None:
    if isinstance(answer, Refusal):
        raise Refused(verb, answer.code, answer.text)


def _identity(value: dict[str, object]) -> Identity:
    boot = value.get("boot")
    missing = [key for key in ("unit", "serial", "log") if not isinstance(value.get(key), str)]
    if missing or not isinstance(boot, int):
        raise UnitError(f"the unit's answer to 'hello' lacks {', '.join(missing) or 'a whole boot number'}; renew its firmware")
    words = {key: _shown(value.get(key)) for key in ("unit", "serial", "log", "firmware", "imu")}
    return Identity(boot=boot, **words)


def _shown(value: object) -> str:
    return "".join(c if c.isprintable() else "\ufffd" for c in str(value))
