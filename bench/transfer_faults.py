"""Many disturbed transfers through wire and session: is a wrong record ever accepted, or a confirmed one ever lost?

Each transfer reads one segment of a scripted unit, whose answers (and sometimes the requests to it) are corrupted, truncated,
doubled, swapped, delayed or cut off on the way. It may end with an error; then what came before it must be the begin of the
segment, and the next transfer, undisturbed, goes on there. The last column is what a host would have taken that reads the same
frames without their checksums: data frames with wrong bytes.

    python bench/transfer_faults.py [--transfers 100000] [--pulls 1000]
"""

import argparse
import random
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from host_killed import LOG, SERIAL, UTC_US, scripted

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.errors import UnitError
from apexfix.pull import PullOptions, pull_unit
from apexfix.records import Damage, scan
from apexfix.session import HostClock, Session
from apexfix.verify import audit
from apexfix.wire import cobs_decode

Frames = list[bytes]
Fault = Callable[[random.Random, Frames], Frames]


def bits(rng: random.Random, frames: Frames) -> Frames:
    raw = bytearray(b"".join(frames))
    for _ in range(rng.choice((1, 1, 2, 3, 8, 40))):
        if raw:
            raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
    return [bytes(raw)]


def dropped(rng: random.Random, frames: Frames) -> Frames:
    raw = b"".join(frames)
    at = rng.randrange(len(raw) + 1)
    return [raw[:at] + raw[at + rng.choice((1, 1, 2, 64, 600)) :]]


def inserted(rng: random.Random, frames: Frames) -> Frames:
    raw = b"".join(frames)
    at = rng.randrange(len(raw) + 1)
    return [raw[:at] + rng.choice((b"\0", b"AX", rng.randbytes(rng.randrange(1, 700)))) + raw[at:]]


def printed(rng: random.Random, frames: Frames) -> Frames:
    at = rng.randrange(len(frames) + 1)
    return [*frames[:at], b'Traceback (most recent call last):\r\n  File "main.py"\r\nOSError: 5\r\n', *frames[at:]]


def truncated(rng: random.Random, frames: Frames) -> Frames:
    raw = b"".join(frames)
    return [raw[: rng.randrange(len(raw) + 1)]]


def doubled(rng: random.Random, frames: Frames) -> Frames:
    return [frame for frame in frames for _ in range(rng.choice((1, 1, 2)))]


def swapped(rng: random.Random, frames: Frames) -> Frames:
    return rng.sample(frames, len(frames))


def interrupted(rng: random.Random, frames: Frames) -> Frames:
    return frames[: rng.randrange(len(frames) + 1)]


def spliced(rng: random.Random, frames: Frames) -> Frames:
    """Join the front of one frame and the back of another, as a buffer that ran over does."""
    one, other = rng.choice(frames), rng.choice(frames)
    joined = one[: rng.randrange(len(one) + 1)] + other[rng.randrange(len(other) + 1) :]
    return [joined if frame is one else frame for frame in frames]


FAULTS: dict[str, Fault] = {
    "bits flipped": bits, "bytes dropped": dropped, "bytes inserted": inserted, "traceback printed": printed,
    "truncated": truncated, "frames doubled": doubled, "frames reordered": swapped,
    "interrupted": interrupted, "frames spliced": spliced,
}  # fmt: skip
DELAYED, REQUEST = "answer delayed", "request corrupted"
KINDS = (*FAULTS, DELAYED, REQUEST)


class Disturbed:
    """The line between a session and a scripted unit, with one kind of fault that comes at a rate."""

    def __init__(self, unit: object, kind: str, rng: random.Random, rate: float) -> None:
        self._unit, self._kind, self._rng, self._rate = unit, kind, rng, rate
        self._late = b""
        self.faults = 0
        self.arrived: list[bytes] = []
        self.read = unit.read
        unit.mishap = self._mishap

    def write(self, data: bytes) -> None:
        if self._kind == REQUEST and self._strikes():
            data = bits(self._rng, [data])[0]
        self._unit.write(data)

    def _strikes(self) -> bool:
        struck = self._rng.random() < self._rate
        self.faults += struck
        return struck

    def _mishap(self, verb: str, frames: Frames) -> Frames:
        before, self._late = self._late, b""
        if self._kind == REQUEST or not self._strikes():
            return [before, *frames]
        if self._kind == DELAYED:
            self._late = b"".join(frames)
            return [before]
        arrived = FAULTS[self._kind](self._rng, frames)
        self.arrived += b"".join(arrived).split(b"\0")
        return [before, *arrived]


def session_with(unit: object, line: object) -> Session:
    return Session(line, HostClock(lambda: UTC_US + unit.t_us(), unit.t_us, unit.elapsed_s))


def wrong_unchecked(stuffed: bytes, segment: bytes) -> bool:
    """Tell whether a frame is data with wrong bytes to a host that does not look at its checksum."""
    try:
        body = cobs_decode(stuffed)
    except ValueError:
        return False
    offset = int.from_bytes(body[6:10], "little")
    return len(body) > 14 and body[0] == 0x44 and not segment[offset:].startswith(body[10:-4])


def transfer(kit: type, kind: str, rng: random.Random, segment: bytes) -> Counter[str]:
    """Return how a disturbed transfer ended, its faults, and the records that were wrongly accepted or lost."""
    unit = kit.FakeUnit({1: segment})
    line = Disturbed(unit, kind, rng, rng.choice((0.3, 0.6, 1.0)))
    held, end = b"", "whole"
    try:
        for piece in session_with(unit, line).read_segment(1):
            held += piece
    except UnitError:
        end = "error"
    wrong = sum(item not in RECORDS[segment] for item in raw_records(held)) + (not segment.startswith(held))
    unit.mishap = lambda verb, frames: frames
    if end == "whole" and len(held) < len(segment):
        end = "short"  # the pull compares with the announced length and says so
    rest = b"".join(session_with(unit, unit).read_segment(1, len(held)))
    lost = len(RECORDS[segment]) - len(RECORDS[segment] & set(raw_records(held + rest)))
    unchecked = sum(wrong_unchecked(stuffed, segment) for stuffed in line.arrived)
    return Counter({end: 1, "transfers": 1, "faults": line.faults, "wrong": wrong, "lost": lost, "unchecked": unchecked})


def raw_records(data: bytes) -> list[bytes]:
    return [item.raw for item in scan(data) if not isinstance(item, Damage)]


RECORDS: dict[bytes, frozenset[bytes]] = {}


def segments_of(kit: type, rng: random.Random) -> list[bytes]:
    made = []
    for n in range(40):
        press, size = 10 * n + 2, rng.randrange(1, 40)
        samples = [kit.window_record(press + 1 + i, press, first=size * i, total=3 * size, count=size) for i in range(3)]
        made.append(b"".join([kit.boot_record(press - 1), kit.press_record(press), *samples]))
        RECORDS[made[-1]] = frozenset(raw_records(made[-1]))
        assert len(RECORDS[made[-1]]) == 5
    return made


def whole_pull(kit: type, kind: str, rng: random.Random, log: dict[int, bytes], path: Path) -> tuple[bool, int]:
    """Pull a log over a disturbed line until it comes through; return whether the first pull did, and what is wrong or lost."""
    unit = kit.FakeUnit(dict(log))
    host = HostClock(lambda: UTC_US + unit.t_us(), unit.t_us, unit.elapsed_s)
    line = Disturbed(unit, kind, rng, 0.1)
    options = PullOptions(tidy=True, host=host)
    with open_archive(path) as archive:
        first = pull_unit(Session(line, host), archive, "COM3", options)
        gone = set(unit.forgotten)
        unit.mishap = lambda verb, frames: frames
        for number in gone:
            del unit.segments[number]  # erased for good: the archive must have it
        last = pull_unit(Session(unit, host), archive, "COM3", options)
        bad = sum(archive.segment_bytes(SERIAL, LOG, number) != data for number, data in log.items())
        bad += bool(last.error) + len(archive.conflicts()) + len(audit(archive).damaged)
    return not first.error, bad


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--transfers", type=int, default=100_000)
    parser.add_argument("--pulls", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng, kit, begin = random.Random(options.seed), scripted(), time.perf_counter()
    segments = segments_of(kit, rng)
    table: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    for n in range(options.transfers):
        kind = KINDS[n % len(KINDS)]
        table[kind].update(transfer(kit, kind, rng, rng.choice(segments)))
    columns = ("transfers", "faults", "whole", "short", "error", "wrong", "lost", "unchecked")
    print(f"{'fault':18s}" + "".join(f"{column:>10s}" for column in columns))
    for kind, counts in [*table.items(), ("all", sum(table.values(), Counter()))]:
        print(f"{kind:18s}" + "".join(f"{counts[column]:10d}" for column in columns))
    log = dict(enumerate(segments[:3], 1))
    ended, bad = 0, 0
    with tempfile.TemporaryDirectory() as scratch:
        for n in range(options.pulls):
            path = Path(scratch) / f"{n}-{ARCHIVE_NAME}"
            well, wrong = whole_pull(kit, KINDS[n % len(KINDS)], rng, log, path)
            ended, bad = ended + well, bad + wrong
            path.unlink()
    print(f"{options.pulls} whole pulls with erasing, a tenth of all answers disturbed: {ended} came through at once,")
    print(f"  the others at the next pull; {bad} with a byte wrong or lost, a conflict or damage")
    print(f"{time.perf_counter() - begin:.0f} s")
    totals = sum(table.values(), Counter())
    if totals["wrong"] or totals["lost"] or bad:
        raise SystemExit("FAILED: zero expected")


if __name__ == "__main__":
    main()
