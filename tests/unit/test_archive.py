import sqlite3
import struct
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace

import pytest

from apexfix.archive import Conflict, Pull, Unit, open_archive
from apexfix.archive_schema import MIGRATIONS, prepare
from apexfix.errors import FileError
from apexfix.wire import Exchange

EXCHANGE = Exchange("e661", "9f3a01c2", 3, 1_800_000_000_000_000, 5, 7, 1_800_000_000_000_900, 11)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "archive.sqlite"


@pytest.fixture
def archive(path):
    with open_archive(path) as opened:
        opened.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
        yield opened


def add(archive, data, offset=0, serial="e661", number=1):
    archive.add_segment_bytes(serial, "9f3a01c2", number, offset, data)


@pytest.fixture(scope="module")
def log(kit):
    return kit.boot_record(1) + kit.press_record(2) + kit.window_record(3, 2) + kit.window_record(4, 2, first=2)


def test_records_come_back_as_they_were_pulled(archive, log):
    add(archive, log)
    (boot,), (press,) = archive.boots(), archive.presses()
    assert (boot.serial, boot.log, boot.record.boot) == ("e661", "9f3a01c2", 3)
    assert press.record.sequence == 2
    assert [window.first for window in archive.windows(press)] == [0, 2]
    assert archive.segment_bytes("e661", "9f3a01c2", 1) == log


def test_the_axis_of_a_stand_comes_back_with_the_press_that_it_stood_at(archive, log, kit):
    add(archive, log + kit.record(7, 5, struct.pack("<IH", 2, 1024)) + kit.record(7, 6, struct.pack("<IH", 2, 5000)))
    (axis,) = archive.axes()
    assert (axis.serial, axis.log, axis.record.press, axis.record.angle) == ("e661", "9f3a01c2", 2, 1024)


@pytest.mark.parametrize("size", [13, 100])
def test_pieces_make_the_same_records(archive, log, size):
    for at in range(0, len(log), size):
        add(archive, log[at : at + size], at)
    (press,) = archive.presses()
    assert len(archive.windows(press)) == 2
    assert archive.conflicts() == ()


def test_the_same_bytes_again_change_nothing(archive, log):
    add(archive, log)
    add(archive, log)
    add(archive, log[10:90], 10)
    archive.add_exchange(EXCHANGE)
    archive.add_exchange(EXCHANGE)
    assert len(list(archive.presses())) == 1
    assert list(archive.exchanges()) == [EXCHANGE]
    assert archive.segment_bytes("e661", "9f3a01c2", 1) == log
    assert archive.conflicts() == ()


def test_other_bytes_for_the_same_place_are_kept_beside_and_told(archive, log):
    add(archive, log)
    other = bytes(len(log))
    add(archive, other)
    add(archive, other)
    (conflict,) = archive.conflicts()
    assert conflict.raw == other
    assert archive.segment_bytes("e661", "9f3a01c2", 1) == log


def test_another_record_of_the_same_number_is_kept_beside_and_told(archive, log, kit):
    add(archive, log)
    add(archive, kit.press_record(2, t_us=1), number=2)
    (conflict,) = archive.conflicts()
    assert conflict.what == "record 2 in segment 2"
    assert [press.record.t_us for press in archive.presses()] == [5_000_000]


def test_bytes_that_leave_a_gap_are_refused(archive, log):
    with pytest.raises(ValueError, match="held up to byte 0, bytes from 5 leave a gap"):
        add(archive, log, 5)


def test_two_units_with_one_name_are_both_kept(archive, log):
    archive.add_unit(Unit("ffff", "u01", "0.1.0", "MPU-6050"))
    add(archive, log)
    add(archive, log, serial="ffff")
    assert [(unit.serial, unit.name) for unit in archive.units()] == [("e661", "u01"), ("ffff", "u01")]
    assert [press.serial for press in archive.presses()] == ["e661", "ffff"]


@pytest.mark.parametrize("table", ["segments", "records", "exchanges", "pulls", "conflicts"])
@pytest.mark.parametrize("change", ["UPDATE {} SET serial = 'x'", "DELETE FROM {}"])
def test_raw_rows_cannot_be_changed(archive, path, log, table, change):
    add(archive, log)
    add(archive, bytes(3))
    archive.add_exchange(EXCHANGE)
    archive.add_pull(Pull("e661", "9f3a01c2", "COM3", 1, len(log)))
    with closing(sqlite3.connect(path)) as other, pytest.raises(sqlite3.IntegrityError, match="never changed"):
        other.execute(change.format(table))


def test_a_record_of_a_unit_that_was_never_entered_is_refused(archive, log):
    with pytest.raises(FileError, match="FOREIGN KEY"):
        add(archive, log, serial="nobody")


def test_a_killed_process_loses_nothing_that_was_confirmed(path, log):
    program = (
        "import os, sys, pathlib\n"
        "from apexfix.archive import Unit, open_archive\n"
        "log = bytes.fromhex(sys.argv[2])\n"
        "with open_archive(pathlib.Path(sys.argv[1])) as archive:\n"
        "    archive.add_unit(Unit('e661', 'u01', '', ''))\n"
        "    archive.add_segment_bytes('e661', 'L', 1, 0, log[:200])\n"
        "    archive._connection.execute('BEGIN')\n"
        "    archive._connection.execute(\"INSERT INTO segments VALUES ('e661', 'L', 1, 200, x'00', 0)\")\n"
        "    os._exit(9)\n"
    )
    assert subprocess.run([sys.executable, "-c", program, str(path), log.hex()]).returncode == 9
    with open_archive(path) as archive:
        assert archive.segment_bytes("e661", "L", 1) == log[:200]
        archive.add_segment_bytes("e661", "L", 1, 200, log[200:])
        assert len(list(archive.presses())) == 1


def test_a_copied_file_is_whole(archive, path, log, tmp_path):
    add(archive, log)
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(path.read_bytes())
    with open_archive(copy) as copied:
        assert len(list(copied.presses())) == 1


def test_a_file_that_is_no_database_is_named(path):
    path.write_bytes(b"flight,station\n" * 100)
    with pytest.raises(FileError, match=r"archive\.sqlite: the archive cannot be used"), open_archive(path):
        pass


def test_a_database_of_another_program_is_left_alone(path):
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE t (x)")
    with pytest.raises(FileError, match="another program"), open_archive(path):
        pass


def test_an_archive_of_a_later_release_is_left_alone(archive, path):
    with closing(sqlite3.connect(path)) as other:
        other.execute("PRAGMA user_version = 99")
    with pytest.raises(FileError, match="later release"), open_archive(path):
        pass


def test_an_archive_is_opened_again_with_all_it_holds(path, log):
    for _ in range(2):
        with open_archive(path) as archive:
            archive.add_unit(Unit("e661", "u02", "0.1.1", "LSM6DS3"))
            add(archive, log)
    with open_archive(path) as archive:
        assert archive.units() == (Unit("e661", "u02", "0.1.1", "LSM6DS3"),)
        assert len(list(archive.boots())) == 1


def test_an_archive_of_an_earlier_release_is_brought_up_to_date_with_all_it_holds(archive, path, log):
    add(archive, log)
    later = (*MIGRATIONS, "CREATE TABLE weather (utc_us INTEGER NOT NULL, wind_m_s REAL) STRICT;")
    with closing(sqlite3.connect(path)) as other:
        prepare(other, path, later)
        assert other.execute("PRAGMA user_version").fetchone() == (2,)
        assert other.execute("SELECT count(*) FROM weather").fetchone() == (0,)
        assert other.execute("SELECT count(*) FROM records").fetchone() == (4,)
    with pytest.raises(FileError, match="later release"), open_archive(path):
        pass


def test_a_step_that_fails_leaves_the_earlier_release_whole(archive, path, log):
    add(archive, log)
    with closing(sqlite3.connect(path)) as other, pytest.raises(sqlite3.OperationalError):
        prepare(other, path, (*MIGRATIONS, "CREATE TABLE weather (x); CREATE TABLE units (y);"))
    with open_archive(path) as again:
        assert again.segment_bytes("e661", "9f3a01c2", 1) == log


@pytest.mark.parametrize(
    "change",
    [
        "CREATE TRIGGER t AFTER INSERT ON records BEGIN DELETE FROM units; END",
        "DROP TRIGGER records_no_update",
        "CREATE VIEW v AS SELECT 1",
        "DROP TABLE pulls",
    ],
)
def test_an_archive_with_foreign_tables_or_triggers_is_left_alone(archive, path, change):
    with closing(sqlite3.connect(path)) as other:
        other.execute(change)
    with pytest.raises(FileError, match="tables are not those of an archive"), open_archive(path):
        pass


def test_another_exchange_with_the_same_stamp_is_kept_beside_and_told(archive):
    archive.add_exchange(EXCHANGE)
    archive.add_exchange(replace(EXCHANGE, t4_utc_us=EXCHANGE.t4_utc_us + 1))
    assert list(archive.exchanges()) == [EXCHANGE]
    assert [conflict.what for conflict in archive.conflicts()] == ["exchange of clocks in boot 3 at 5 us"]


def test_the_same_pull_or_conflict_entered_again_changes_nothing(archive):
    pull, conflict = Pull("e661", "9f3a01c2", "COM3", 1, 7), Conflict("e661", "9f3a01c2", "segment 1", b"x")
    for _ in range(2):
        archive.add_pull(pull)
        archive.add_conflict(conflict)
    assert archive.pulls() == (pull,)
    assert archive.conflicts() == (conflict,)


def test_a_record_that_the_disk_changed_is_never_read_as_a_record(path, log, kit):
    with open_archive(path) as archive:
        archive.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
        add(archive, log)
    record = kit.window_record(4, 2, first=2)
    whole = path.read_bytes()
    assert record in whole
    path.write_bytes(whole.replace(record, record[:20] + b"?" + record[21:]))
    with open_archive(path) as archive, pytest.raises(FileError, match="differs from its checksum"):
        [archive.windows(press) for press in archive.presses()]


def test_many_who_open_a_new_archive_at_once_all_get_it(tmp_path):
    def opened(number):
        with open_archive(tmp_path / f"{number // 8}.sqlite") as archive:
            return len(archive.units())

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(opened, range(160))) == [0] * 160
