import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from apexfix.archive import Unit, open_archive
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
    archive.add_pull("e661", "9f3a01c2", "COM3", 1, len(log))
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
