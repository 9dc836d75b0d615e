"""Is what the archive says still what the units said? Everything that can be derived is derived again and compared."""

from binascii import crc32
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import NamedTuple

from apexfix.archive import Archive, Conflict, Piece, Row
from apexfix.records import MARK, Damage, Press, Record, Unknown, Window, is_sound, scan


class RecordKey(NamedTuple):
    """Names one record for ever."""

    serial: str
    log: str
    sequence: int


class SegmentKey(NamedTuple):
    """Names one file of one unit's log."""

    serial: str
    log: str
    number: int


_Read = Mapping[SegmentKey, Sequence[Record | Damage]]


@dataclass(frozen=True, slots=True)
class Audit:
    """What was counted, what is damaged, and what a person should know though nothing is lost by it."""

    segments: int
    records: int
    presses: int
    damaged: tuple[str, ...]
    remarks: tuple[str, ...]


def audit(archive: Archive) -> Audit:
    """Derive every record of an archive from the bytes as they were pulled, and compare with the table of records.

    Raises
    ------
    FileError
        The archive is too damaged to be read.
    """
    faults = archive.faults()
    held = {key: tuple(pieces) for key, pieces in groupby(archive.pieces(), key=_segment_of)}
    read = {key: scan(b"".join(piece.data for piece in pieces)) for key, pieces in held.items()}
    rows = tuple(archive.rows())
    conflicts = archive.conflicts()
    return Audit(
        segments=len(held),
        records=len(rows),
        presses=sum(isinstance(item, Press) for items in read.values() for item in items),
        damaged=(*faults, *_bad_pieces(held), *_bad_rows(rows, _derived(read, conflicts))),
        remarks=(*_told(conflicts), *_passed_over(read), *_unread(read), *_missing(read), *_without_window(read)),
    )


def _segment_of(piece: Piece) -> SegmentKey:
    return SegmentKey(piece.serial, piece.log, piece.number)


def _segment(key: SegmentKey) -> str:
    return f"unit {key.serial}, log {key.log}, segment {key.number}"


def _record(key: RecordKey) -> str:
    return f"unit {key.serial}, log {key.log}, record {key.sequence}"


def _bad_pieces(held: Mapping[SegmentKey, Sequence[Piece]]) -> Iterator[str]:
    for key, pieces in held.items():
        end = 0
        for piece in pieces:
            if piece.offset != end:
                yield f"{_segment(key)}: bytes from {piece.offset} follow those up to {end}"
            if crc32(piece.data) != piece.crc32:
                yield f"{_segment(key)}: the {len(piece.data)} bytes from {piece.offset} differ from their checksum"
            end = piece.offset + len(piece.data)


# --- the table of records -------------------------------------------------------------------------------------------


def _derived(read: _Read, conflicts: Iterable[Conflict]) -> dict[RecordKey, list[Row]]:
    """Return the rows that the bytes allow for each record. Bytes that were noted as a conflict are left out."""
    contested = {(conflict.serial, conflict.log, conflict.raw) for conflict in conflicts}
    found: dict[RecordKey, list[Row]] = defaultdict(list)
    for key, items in read.items():
        for record in items:
            if not isinstance(record, Damage):
                found[RecordKey(key.serial, key.log, record.sequence)].append(_row(key, record))
    return {key: [row for row in rows if (row.serial, row.log, row.raw) not in contested] or rows for key, rows in found.items()}


def _row(key: SegmentKey, record: Record) -> Row:
    press = record.press if isinstance(record, Window) else None
    check = int.from_bytes(record.raw[-4:], "little")
    return Row(key.serial, key.log, record.sequence, record.raw[2], press, key.number, record.raw, check)


def _bad_rows(rows: Sequence[Row], derived: Mapping[RecordKey, list[Row]]) -> Iterator[str]:
    stored = {RecordKey(row.serial, row.log, row.sequence): row for row in rows}
    for key, row in stored.items():
        if not is_sound(row.raw) or crc32(row.raw[:-4]) != row.crc32:
            yield f"{_record(key)} differs from its checksum"
        elif row not in derived.get(key, ()):
            yield f"{_record(key)} is not what the bytes of segment {row.segment} say"
    for key, allowed in derived.items():
        if key not in stored:
            yield f"{_record(key)} is in the bytes and not in the table of records"
        if len({row.raw for row in allowed}) > 1:
            yield f"{_record(key)} is told in two ways, and no conflict was noted"


# --- what is no damage of the archive -------------------------------------------------------------------------------


def _told(conflicts: Iterable[Conflict]) -> Iterator[str]:
    for conflict in conflicts:
        yield (
            f"unit {conflict.serial}, log {conflict.log}, {conflict.what}: {len(conflict.raw)} other bytes came for this place; "
            "the first ones count, both are kept"
        )


def _passed_over(read: _Read) -> Iterator[str]:
    for key, items in read.items():
        for place, item in enumerate(items, 1):
            if isinstance(item, Damage):
                torn = place == len(items)
                why = "a torn end, as after a power cut" if torn else "between sound records: the flash may be failing"
                yield f"{_segment(key)}: {item.length} bytes from {item.offset} are part of no record ({why})"


def _unread(read: _Read) -> Iterator[str]:
    for key, items in read.items():
        for item in items:
            if isinstance(item, Unknown):
                whose = _record(RecordKey(key.serial, key.log, item.sequence))
                what = f"type {item.type}, version {item.version}"
                yield f"{whose} ({what}) is of a kind unknown here, or its values cannot be; it is kept and not used"


def _missing(read: _Read) -> Iterator[str]:
    """Tell of gaps in the numbers of the segments and of the records of each log, from the first one held on."""
    for (serial, log), keys in groupby(sorted(read), key=lambda key: (key.serial, key.log)):
        own = tuple(keys)
        yield from _gaps(f"unit {serial}, log {log}", "segments", {key.number for key in own})
        sequences = {item.sequence for key in own for item in read[key] if not isinstance(item, Damage)}
        yield from _gaps(f"unit {serial}, log {log}", "records", sequences)


def _gaps(whose: str, what: str, numbers: set[int]) -> Iterator[str]:
    low, high = min(numbers, default=0), max(numbers, default=-1)
    absent = high - low + 1 - len(numbers)
    if absent:
        yield f"{whose}: {absent} {what} between {low} and {high} are not here; pull again while the unit has them"


def _without_window(read: _Read) -> Iterator[str]:
    samples: dict[RecordKey, int] = defaultdict(int)
    announced: dict[RecordKey, int] = {}
    marks: dict[RecordKey, None] = {}  # in order, each once
    for key, items in read.items():
        for item in items:
            if isinstance(item, Press) and item.kind == MARK:
                marks[RecordKey(key.serial, key.log, item.sequence)] = None
            elif isinstance(item, Window):
                press = RecordKey(key.serial, key.log, item.press)
                samples[press] += len(item.t_us)
                announced[press] = item.total
    for mark in marks:
        if samples[mark] < announced.get(mark, 1):
            have = f"{samples[mark]} of {announced[mark]} samples" if mark in announced else "no samples"
            yield f"{_record(mark)} is a mark with {have} around it; it counts without its track"
