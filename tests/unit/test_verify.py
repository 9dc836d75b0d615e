import shutil
import sqlite3
from contextlib import closing

import pytest
from click.testing import CliRunner

from apexfix.archive import ARCHIVE_NAME, Unit, open_archive
from apexfix.cli import main
from apexfix.verify import audit

WHOSE = "unit e661, log 9f3a01c2"


@pytest.fixture
def day(tmp_path, root):
    for name in ("site.toml", "sightings.csv"):
        shutil.copy(root / "docs" / "example-day" / name, tmp_path / name)
    return tmp_path


@pytest.fixture
def archive(day):
    with open_archive(day / ARCHIVE_NAME) as opened:
        opened.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
        yield opened


def add(archive, data, offset=0, number=1):
    archive.add_segment_bytes("e661", "9f3a01c2", number, offset, data)


@pytest.fixture
def log(kit):
    return kit.boot_record(1) + kit.press_record(2) + kit.window_record(3, 2) + kit.window_record(4, 2, first=2)


def tampered(day, *statements):
    """Change rows behind the archive's back, as a failing disk or an editor would, and leave the tables as they were."""
    with closing(sqlite3.connect(day / ARCHIVE_NAME)) as database, database:
        kept = database.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in kept:
            database.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            database.execute(statement)
        for _, sql in kept:
            database.execute(sql)


def test_an_archive_as_it_was_pulled_is_sound(archive, log):
    for at in range(0, len(log), 50):
        add(archive, log[at : at + 50], at)
    found = audit(archive)
    assert (found.segments, found.records, found.presses) == (1, 4, 1)
    assert (found.damaged, found.remarks) == ((), ())


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE segments SET bytes = CAST(zeroblob(length(bytes)) AS BLOB)", "differ from their checksum"),
        ("UPDATE segments SET offset = 7", "bytes from 7 follow those up to 0"),
        ("UPDATE segments SET crc32 = crc32 + 1", "differ from their checksum"),
        ("UPDATE records SET raw = x'0000' WHERE sequence = 2", "record 2 differs from its checksum"),
        ("UPDATE records SET crc32 = 0 WHERE sequence = 2", "record 2 differs from its checksum"),
        ("UPDATE records SET press = 9 WHERE sequence = 3", "record 3 is not what the bytes of segment 1 say"),
        ("UPDATE records SET type = 1 WHERE sequence = 2", "record 2 is not what the bytes of segment 1 say"),
        ("UPDATE records SET sequence = 90 WHERE sequence = 2", "record 90 is not what the bytes of segment 1 say"),
        ("DELETE FROM records WHERE sequence = 4", "record 4 is in the bytes and not in the table of records"),
        ("DELETE FROM segments", "record 1 is not what the bytes of segment 1 say"),
        ("DELETE FROM units", "names no unit"),
    ],
)
def test_every_change_of_a_stored_row_is_found(day, log, statement, said):
    with open_archive(day / ARCHIVE_NAME) as archive:
        archive.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
        add(archive, log)
    tampered(day, statement)
    with open_archive(day / ARCHIVE_NAME) as archive:
        assert said in "\n".join(audit(archive).damaged)
    assert CliRunner().invoke(main, ["verify", str(day)]).exit_code == 4


def test_any_single_bit_that_flips_in_a_page_of_rows_is_found_or_harmless(day, log):
    with open_archive(day / ARCHIVE_NAME) as archive:
        archive.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
        add(archive, log)
    file = day / ARCHIVE_NAME
    whole = file.read_bytes()
    at = whole.index(log)  # the bytes of the segment, as the file holds them
    for n in range(0, len(log), 9):
        file.write_bytes(whole[: at + n] + bytes([whole[at + n] ^ 1 << n % 8]) + whole[at + n + 1 :])
        with open_archive(file) as archive:
            assert audit(archive).damaged


def test_torn_ends_gaps_conflicts_and_bare_marks_are_told_and_no_damage(archive, kit, log):
    add(archive, log + b"AX torn")
    add(archive, kit.boot_record(8) + b"\0" * 5 + kit.press_record(9), number=4)
    add(archive, bytes(9))
    add(archive, kit.window_record(10, 9, total=100), number=5)
    found = audit(archive)
    assert found.damaged == ()
    told = "\n".join(found.remarks)
    assert f"{WHOSE}, segment 1: 7 bytes from {len(log)} are part of no record (a torn end" in told
    assert "5 bytes from" in told
    assert "the flash may be failing" in told
    assert f"{WHOSE}: 2 segments between 1 and 5 are not here" in told
    assert f"{WHOSE}: 3 records between 1 and 10 are not here" in told
    assert "9 other bytes came for this place" in told
    assert f"{WHOSE}, record 9 is a mark with 2 of 100 samples around it" in told


def test_a_record_told_in_two_ways_is_a_conflict_and_no_damage(archive, kit, log):
    add(archive, kit.press_record(2, t_us=1), number=2)
    add(archive, log)
    found = audit(archive)
    assert found.damaged == ()
    assert "record 2 in segment 1" in "\n".join(found.remarks)


def test_the_command_computes_the_flights_again_and_compares_the_report(day, archive, log):
    add(archive, log)
    sound = CliRunner().invoke(main, ["verify", str(day)])
    assert sound.exit_code == 0, sound.output
    assert "archive: 1 segments, 4 records, 1 presses\n" in sound.output
    assert "computed again\nall sound\n" in sound.output
    CliRunner().invoke(main, ["report", str(day)])
    assert "the report is not what" not in CliRunner().invoke(main, ["verify", str(day)]).output
    (day / "report" / "results.json").write_text("[")
    stale = CliRunner().invoke(main, ["verify", str(day)])
    assert "the report is not what the readings give now" in stale.output
    assert stale.exit_code == 0


def test_a_file_that_cannot_be_used_ends_the_command_with_4(day):
    (day / ARCHIVE_NAME).write_bytes(b"PK\3\4" * 500)
    assert CliRunner().invoke(main, ["verify", str(day)]).exit_code == 4
