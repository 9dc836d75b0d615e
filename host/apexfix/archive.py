"""The raw records of a day, exactly as pulled, in one SQLite file. Rows are added, never changed.

The journal is the plain rollback journal, not the write-ahead log: people copy day folders, and with the plain journal the
one file is whole whenever nobody is writing.
"""

import contextlib
import sqlite3
import threading
from binascii import crc32
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

from apexfix.errors import FileError
from apexfix.records import Boot, Damage, Note, Press, Record, Window, record_from, scan
from apexfix.wire import Exchange

ARCHIVE_NAME: Final = "archive.sqlite"
_APPLICATION_ID: Final = 0x41504658  # "APFX"
_RAW_TABLES: Final = ("segments", "records", "conflicts", "exchanges", "pulls")
_TABLES: Final = """
CREATE TABLE units (serial TEXT PRIMARY KEY, name TEXT NOT NULL, firmware TEXT NOT NULL, imu TEXT NOT NULL) STRICT;
CREATE TABLE segments (
    serial TEXT NOT NULL REFERENCES units, log TEXT NOT NULL, number INTEGER NOT NULL, offset INTEGER NOT NULL,
    bytes BLOB NOT NULL, crc32 INTEGER NOT NULL, PRIMARY KEY (serial, log, number, offset)) STRICT;
CREATE TABLE records (
    serial TEXT NOT NULL REFERENCES units, log TEXT NOT NULL, sequence INTEGER NOT NULL, type INTEGER NOT NULL,
    press INTEGER, segment INTEGER NOT NULL, raw BLOB NOT NULL, crc32 INTEGER NOT NULL,
    PRIMARY KEY (serial, log, sequence)) STRICT;
CREATE INDEX windows_of_a_press ON records (serial, log, press, sequence) WHERE press IS NOT NULL;
CREATE TABLE conflicts (
    id INTEGER PRIMARY KEY, serial TEXT NOT NULL REFERENCES units, log TEXT NOT NULL, what TEXT NOT NULL,
    raw BLOB NOT NULL, UNIQUE (serial, log, what, raw)) STRICT;
CREATE TABLE exchanges (
    serial TEXT NOT NULL REFERENCES units, log TEXT NOT NULL, boot INTEGER NOT NULL, t1_utc_us INTEGER NOT NULL,
    t2_us INTEGER NOT NULL, t3_us INTEGER NOT NULL, t4_utc_us INTEGER NOT NULL, monotonic_us INTEGER NOT NULL,
    PRIMARY KEY (serial, log, boot, t2_us)) STRICT;
CREATE TABLE pulls (
    id INTEGER PRIMARY KEY, serial TEXT NOT NULL REFERENCES units, log TEXT NOT NULL, port TEXT NOT NULL,
    utc_us INTEGER NOT NULL, bytes INTEGER NOT NULL) STRICT;
"""
_TRIGGERS: Final = "".join(
    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
    f"BEGIN SELECT RAISE(ABORT, 'raw rows of {table} are never changed'); END;\n"
    for table in _RAW_TABLES
    for verb in ("UPDATE", "DELETE")
)
_MIGRATIONS: Final = (_TABLES + _TRIGGERS,)  # one script for each step of user_version

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
        """Enter an exchange of clocks; the same one again changes nothing."""
        row = (
            exchange.serial, exchange.log, exchange.boot, exchange.t1_utc_us, exchange.t2_us, exchange.t3_us,
            exchange.t4_utc_us, exchange.monotonic_us,
        )  # fmt: skip
        with self._transaction() as connection:
            connection.execute("INSERT OR IGNORE INTO exchanges VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)

    def add_pull(self, serial: str, log: str, port: str, utc_us: int, size: int) -> None:
        """Enter that a pull ended well, and how many bytes it brought."""
        with self._transaction() as connection:
            row = (serial, log, port, utc_us, size)
            connection.execute("INSERT INTO pulls (serial, log, port, utc_us, bytes) VALUES (?, ?, ?, ?, ?)", row)

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
        found = (record_from(raw) for (raw,) in rows)
        return tuple(window for window in found if isinstance(window, Window))

    def exchanges(self) -> Iterator[Exchange]:
        """Yield all exchanges of clocks, in the order of each boot."""
        yield from (Exchange(*row) for row in self._rows("SELECT * FROM exchanges ORDER BY serial, log, boot, t2_us"))

    def conflicts(self) -> tuple[Conflict, ...]:
        """Return the bytes that contradict what is held."""
        return tuple(Conflict(*row) for row in self._rows("SELECT serial, log, what, raw FROM conflicts ORDER BY id"))

    def _stored(self, kind: type[R], type_code: int) -> Iterator[Stored[R]]:
        query = "SELECT serial, log, raw FROM records WHERE type = ? ORDER BY serial, log, sequence"
        for serial, log, raw in self._rows(query, (type_code,)):
            record = record_from(raw)
            if isinstance(record, kind):
                yield Stored(serial, log, record)

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
            _prepare(connection, path)
        yield Archive(connection, path)


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if application != _APPLICATION_ID and tables:
        raise FileError("this is a database of another program; choose another folder", path=path)
    if version > len(_MIGRATIONS):
        raise FileError(f"written by a later release (version {version}, known up to {len(_MIGRATIONS)}); renew apexfix", path=path)
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")  # what was confirmed survives a power cut
    for step, script in enumerate(_MIGRATIONS[version:], version + 1):
        connection.executescript(
            f"BEGIN; {script} PRAGMA application_id = {_APPLICATION_ID}; PRAGMA user_version = {step}; COMMIT;"
        )  # fmt: skip


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
    except sqlite3.Error as error:
        raise FileError(f"the archive cannot be used: {error}; check the disk, or restore a copy", path=path) from error
