"""The raw records of a day, exactly as pulled, in one SQLite file. Rows are added, never changed.

The journal is the plain rollback journal, not the write-ahead log: people copy day folders, and with the plain journal the
one file is whole whenever nobody is writing.
"""

import contextlib
import sqlite3
import threading
from binascii import crc32
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

from apexfix.archive_schema import prepare
from apexfix.errors import FileError
from apexfix.records import Axis, Boot, Damage, Note, Press, Record, Window, is_sound, record_from, scan
from apexfix.wire import Exchange

ARCHIVE_NAME: Final = "archive.sqlite"
R = TypeVar("R", bound=Record)


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit that was pulled. Two units may bear one name; the serial tells them apart."""

    serial: str
    name: str
    firmware: str
    imu: str


@dataclass(frozen=True, slots=True)
class Stored(Generic[R]):
    """A record, and whose it is."""

    serial: str
    log: str
    record: R


@dataclass(frozen=True, slots=True)
class Conflict:
    """Bytes that came for a place where the archive holds others. The first ones stay in force."""

    serial: str
    log: str
    what: str
    raw: bytes


@dataclass(frozen=True, slots=True)
class Pull:
    """A pull that ended well."""

    serial: str
    log: str
    port: str
    utc_us: int
    size: int  # bytes that it brought


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes of a segment as they were added, with the checksum that they had."""

    serial: str
    log: str
    number: int  # of the segment
    offset: int
    data: bytes
    crc32: int


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table of records, unread."""

    serial: str
    log: str
    sequence: int
    type: int
    press: int | None
    segment: int
    raw: bytes
    crc32: int


class Archive:
    """An open archive. Safe to use from several threads; each call is one transaction and is on the disk when it returns."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path
        self._lock = threading.Lock()

    def add_unit(self, unit: Unit) -> None:
        """Enter a unit, or its new name and firmware."""
        with self._transaction() as connection:
            connection.execute(
                "INSERT INTO units VALUES (?, ?, ?, ?) ON CONFLICT (serial) DO UPDATE "
                "SET name = excluded.name, firmware = excluded.firmware, imu = excluded.imu",
                (unit.serial, unit.name, unit.firmware, unit.imu),
            )

    def add_segment_bytes(self, serial: str, log: str, number: int, offset: int, data: bytes) -> None:
        """Append bytes of a segment and the records that they complete. What is there already is compared and left.

        Raises
        ------
        ValueError
            The bytes begin behind the end of what the archive holds.
        """
        with self._transaction() as connection:
            have = _segment_bytes(connection, serial, log, number)
            if offset > len(have):
                raise ValueError(f"segment {number} is held up to byte {len(have)}, bytes from {offset} leave a gap")
            known = have[offset : offset + len(data)]
            if known != data[: len(known)]:
                _add_conflict(connection, serial, log, f"segment {number}, bytes from {offset}", data)
                return
            fresh = data[len(known) :]
            if fresh:
                row = (serial, log, number, len(have), fresh, crc32(fresh))
                connection.execute("INSERT INTO segments VALUES (?, ?, ?, ?, ?, ?)", row)
                _add_records(connection, (serial, log, number), have + fresh)

    def add_exchange(self, exchange: Exchange) -> None:
        """Enter an exchange of clocks; the same one again changes nothing, another one for the same stamp is a conflict."""
        row = astuple(exchange)
        serial, log, boot, _, t2_us, *_ = row
        with self._transaction() as connection:
            query = "SELECT * FROM exchanges WHERE serial = ? AND log = ? AND boot = ? AND t2_us = ?"
            known = connection.execute(query, (serial, log, boot, t2_us)).fetchone()
            if known is None:
                connection.execute("INSERT INTO exchanges VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
            elif known != row:
                _add_conflict(connection, serial, log, f"exchange of clocks in boot {boot} at {t2_us} us", repr(row).encode())

    def add_pull(self, pull: Pull) -> None:
        """Enter that a pull ended well; the same one again changes nothing."""
        with self._transaction() as connection:
            connection.execute(
                "INSERT INTO pulls (serial, log, port, utc_us, bytes) SELECT ?1, ?2, ?3, ?4, ?5 WHERE NOT EXISTS "
                "(SELECT 1 FROM pulls WHERE serial = ?1 AND log = ?2 AND port = ?3 AND utc_us = ?4 AND bytes = ?5)",
                astuple(pull),
            )

    def add_conflict(self, conflict: Conflict) -> None:
        """Enter a conflict that another archive holds; the same one again changes nothing."""
        with self._transaction() as connection:
            _add_conflict(connection, *astuple(conflict))

    def copy_to(self, path: Path) -> None:
        """Write a whole copy of the archive, also while another process adds to it. FileError where it cannot be written."""
        with self._lock, _database_errors(path), contextlib.closing(sqlite3.connect(path)) as copy:
            self._connection.backup(copy)

    def segment_bytes(self, serial: str, log: str, number: int) -> bytes:
        """Return what is held of a segment, from its begin."""
        with self._transaction() as connection:
            return _segment_bytes(connection, serial, log, number)

    def segments(self, serial: str, log: str) -> tuple[bytes, ...]:
        """Return what is held of every segment of a log, oldest first."""
        numbers = self._rows("SELECT DISTINCT number FROM segments WHERE serial = ? AND log = ? ORDER BY number", (serial, log))
        return tuple(self.segment_bytes(serial, log, number) for (number,) in numbers)

    def units(self) -> tuple[Unit, ...]:
        """Return all units, by serial."""
        return tuple(Unit(*row) for row in self._rows("SELECT serial, name, firmware, imu FROM units ORDER BY serial"))

    def boots(self) -> Iterator[Stored[Boot]]:
        """Yield the boot records of all units in the order of their logs."""
        return self._stored(Boot, 1)

    def presses(self) -> Iterator[Stored[Press]]:
        """Yield the presses of all units in the order of their logs."""
        return self._stored(Press, 2)

    def notes(self) -> Iterator[Stored[Note]]:
        """Yield what the units had to say."""
        return self._stored(Note, 4)

    def windows(self, press: Stored[Press]) -> tuple[Window, ...]:
        """Return the pieces of the samples around a press, in order. Pieces may be missing."""
        rows = self._rows(
            "SELECT raw FROM records WHERE serial = ? AND log = ? AND press = ? ORDER BY sequence",
            (press.serial, press.log, press.record.sequence),
        )
        found = (self._checked(raw) for (raw,) in rows)
        return tuple(window for window in found if isinstance(window, Window))

    def axes(self) -> Iterator[Stored[Axis]]:
        """Yield where the stands' axes stood at the presses of units that have an encoder, in the order of their logs."""
        return self._stored(Axis, 7)

    def exchanges(self) -> Iterator[Exchange]:
        """Yield all exchanges of clocks, in the order of each boot."""
        yield from (Exchange(*row) for row in self._rows("SELECT * FROM exchanges ORDER BY serial, log, boot, t2_us"))

    def conflicts(self) -> tuple[Conflict, ...]:
        """Return the bytes that contradict what is held."""
        return tuple(Conflict(*row) for row in self._rows("SELECT serial, log, what, raw FROM conflicts ORDER BY id"))

    def pulls(self) -> tuple[Pull, ...]:
        """Return the pulls that ended well, in their order."""
        return tuple(Pull(*row) for row in self._rows("SELECT serial, log, port, utc_us, bytes FROM pulls ORDER BY id"))

    def pieces(self) -> Iterator[Piece]:
        """Yield the bytes of all segments as they were added, in the order of the segments."""
        yield from (Piece(*row) for row in self._rows("SELECT * FROM segments ORDER BY serial, log, number, offset"))

    def rows(self, *types: int) -> Iterator[Row]:
        """Yield the rows of the table of records, in the order of the logs; only those of some types where they are named."""
        which = f"WHERE type IN ({', '.join('?' * len(types))})" if types else ""
        yield from (Row(*row) for row in self._rows(f"SELECT * FROM records {which} ORDER BY serial, log, sequence", types))

    def faults(self) -> tuple[str, ...]:
        """Return what the database itself finds wrong with its file."""
        pages = [str(row[0]) for row in self._rows("PRAGMA integrity_check(20)")]
        orphans = self._rows("PRAGMA foreign_key_check")
        return (*(page for page in pages if page != "ok"), *(f"row {row[1]} of {row[0]} names no unit" for row in orphans))

    def _stored(self, kind: type[R], type_code: int) -> Iterator[Stored[R]]:
        query = "SELECT serial, log, raw FROM records WHERE type = ? ORDER BY serial, log, sequence"
        for serial, log, raw in self._rows(query, (type_code,)):
            record = self._checked(raw)
            if isinstance(record, kind):
                yield Stored(serial, log, record)

    def _checked(self, raw: bytes) -> Record:
        """Return the record of a row; a disk may have changed it since it was written."""
        if not is_sound(raw):
            raise FileError("a record differs from its checksum; see 'apexfix verify', then restore a copy", path=self._path)
        return record_from(raw)

    def _rows(self, query: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        with self._transaction() as connection:
            return connection.execute(query, values).fetchall()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._lock, _database_errors(self._path), self._connection:
            yield self._connection


@contextlib.contextmanager
def open_archive(path: Path) -> Iterator[Archive]:
    """Open an archive, making it where there is none, and bring an older one up to date.

    Raises
    ------
    FileError
        The file is no archive, is damaged, was written by a later release, or cannot be written.
    """
    with _database_errors(path):
        connection = sqlite3.connect(path, timeout=10, check_same_thread=False)
    with contextlib.closing(connection):
        with _database_errors(path):
            prepare(connection, path)
        yield Archive(connection, path)


def _segment_bytes(connection: sqlite3.Connection, serial: str, log: str, number: int) -> bytes:
    query = "SELECT bytes FROM segments WHERE serial = ? AND log = ? AND number = ? ORDER BY offset"
    return b"".join(row[0] for row in connection.execute(query, (serial, log, number)))


def _add_records(connection: sqlite3.Connection, segment: tuple[str, str, int], held: bytes) -> None:
    serial, log, number = segment
    for record in scan(held):
        if isinstance(record, Damage):
            continue
        query = "SELECT raw FROM records WHERE serial = ? AND log = ? AND sequence = ?"
        known = connection.execute(query, (serial, log, record.sequence)).fetchone()
        if known is None:
            press = record.press if isinstance(record, Window) else None
            check = int.from_bytes(record.raw[-4:], "little")
            row = (serial, log, record.sequence, record.raw[2], press, number, record.raw, check)
            connection.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
        elif known[0] != record.raw:
            _add_conflict(connection, serial, log, f"record {record.sequence} in segment {number}", record.raw)


def _add_conflict(connection: sqlite3.Connection, serial: str, log: str, what: str, raw: bytes) -> None:
    query = "INSERT OR IGNORE INTO conflicts (serial, log, what, raw) VALUES (?, ?, ?, ?)"
    connection.execute(query, (serial, log, what, raw))


@contextlib.contextmanager
def _database_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, UnicodeError) as error:  # the second where the damage is in a text
        raise FileError(f"the archive cannot be used: {error}; check the disk, or restore a copy", path=path) from error
