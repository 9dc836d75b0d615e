"""The tables of the archive, and how an older file is brought up to date."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

from apexfix.errors import FileError

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
MIGRATIONS: Final = (_TABLES + _TRIGGERS,)  # one script for each step of user_version


def prepare(connection: sqlite3.Connection, path: Path, migrations: Sequence[str] = MIGRATIONS) -> None:
    """Make the tables in a new file, bring those of an older release up to date, and leave any other file alone.

    Raises
    ------
    FileError
        The file is a database of another program, was written by a later release, or its tables are not ours.
    """
    connection.execute("PRAGMA trusted_schema = OFF")  # a file that somebody sent must not run what it likes
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")  # what was confirmed survives a power cut
    version = _checked_version(connection, path, migrations)
    try:
        _migrate(connection, migrations, version)
    except sqlite3.OperationalError:
        connection.rollback()
        if _version(connection) == version:
            raise
        prepare(connection, path, migrations)  # another process made the tables in the meantime


def _version(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def _checked_version(connection: sqlite3.Connection, path: Path, migrations: Sequence[str]) -> int:
    """Return how many of the migrations the file has behind it, all seen at one instant."""
    connection.execute("BEGIN")
    try:
        version = _version(connection)
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if application != _APPLICATION_ID and tables:
            raise FileError("this is a database of another program; choose another folder", path=path)
        if not 0 <= version <= len(migrations):
            known = f"known up to {len(migrations)}"
            raise FileError(f"written by a later release (version {version}, {known}); renew apexfix", path=path)
        _check_tables(connection, path, migrations[:version])
    finally:
        connection.rollback()
    return version


def _migrate(connection: sqlite3.Connection, migrations: Sequence[str], version: int) -> None:
    for step, script in enumerate(migrations[version:], version + 1):
        connection.executescript(
            f"BEGIN IMMEDIATE; {script} PRAGMA application_id = {_APPLICATION_ID}; PRAGMA user_version = {step}; COMMIT;"
        )


def _check_tables(connection: sqlite3.Connection, path: Path, done: Sequence[str]) -> None:
    """Compare the tables with those that the same steps make in an empty database: a foreign trigger could change raw rows."""
    with closing(sqlite3.connect(":memory:")) as model:
        _migrate(model, done, 0)
        if _tables(connection) != _tables(model):
            raise FileError("its tables are not those of an archive; restore a copy of the file", path=path)


def _tables(connection: sqlite3.Connection) -> set[tuple[str, str, str]]:
    query = "SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_stat%' ESCAPE '\\'"
    return set(connection.execute(query).fetchall())
