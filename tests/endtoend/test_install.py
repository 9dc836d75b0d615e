"""apexfix unit install, by its own command line, on a board that is a real MicroPython with its real raw prompt."""

import hashlib
import json
import os
import re
import subprocess
import sys
import tty
from pathlib import Path

import pytest

from apexfix.archive import open_archive
from apexfix.link import open_port
from apexfix.pull import pull_all
from apexfix.session import Session
from apexfix.sim.table import on_a_table
from apexfix.sim.virtual_board import VirtualBoard

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo terminals on that system")
CALIBRATION = {"id": "c1", "tube_body": [1, 0, 0]}


@pytest.fixture
def board(tmp_path, micropython):
    with VirtualBoard(tmp_path / "board", on_a_table(tmp_path)) as board:
        yield board


@pytest.fixture
def firmware(root):
    folder = root / "firmware"
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*.py")}


def apexfix(*words, cwd=None):
    command = [str(Path(sys.executable).with_name("apexfix")), *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, timeout=120)


def install(board, *words, cwd=None):
    done = apexfix("unit", "install", "--port", board.port, "--json", *words, cwd=cwd)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def files_of(board):
    """Every file of the flash but the log's: name -> content."""
    found = {path.relative_to(board.flash).as_posix(): path.read_bytes() for path in board.flash.rglob("*") if path.is_file()}
    return {name: content for name, content in found.items() if not name.startswith("log/")}


def without_record(board):
    return {name: content for name, content in files_of(board).items() if name != "installed.json"}


def test_a_bare_board_becomes_a_unit_that_answers(board, firmware):
    board.plug_in()
    told = install(board, "--set", "unit", "u07")
    assert sorted(told["written"]) == sorted(firmware)
    assert (told["unit"], told["serial"], told["imu"]) == ("u07", "0011223344556677", "MPU-6050")
    assert {name: content for name, content in without_record(board).items() if name != "config.json"} == firmware
    assert json.loads(files_of(board)["config.json"])["unit"] == "u07"


def test_a_second_installation_writes_nothing(board):
    board.plug_in()
    install(board)
    before = {path: path.stat().st_mtime_ns for path in board.flash.rglob("*.py")}
    told = install(board)
    assert told["written"] == told["removed"] == []
    assert {path: path.stat().st_mtime_ns for path in board.flash.rglob("*.py")} == before


def test_log_calibration_and_settings_stay(board, tmp_path):
    board.plug_in()
    install(board, "--set", "unit", "u07", "--set", "calibration", json.dumps(CALIBRATION))
    with open_port(board.port) as line:
        Session(line).press("mark")
    told = apexfix("unit", "install", "--port", board.port, "--set", "buzzer", "false")
    assert told.returncode == 0, told.stderr
    assert "u07 is at work" in told.stderr
    settings = json.loads(files_of(board)["config.json"])
    assert (settings["unit"], settings["calibration"], settings["buzzer"]) == ("u07", CALIBRATION, False)
    # The press was pending when the installation began: it was waited for, and can be pulled.
    outcome = pull_all((board.port,), tmp_path / "day")[0]
    assert not outcome.error
    with open_archive(tmp_path / "day" / "archive.sqlite") as archive:
        (press,) = archive.presses()
        assert archive.windows(press)


def test_an_earlier_release_is_replaced_and_what_it_had_more_is_removed(board, firmware):
    board.plug_in()
    install(board)
    board.unplug()
    # As an earlier release would have left it: another content and another file, both vouched for.
    older = {"unit/app.py": b"# of an earlier release\n", "unit/gone.py": b"# no longer needed\n"}
    for name, content in older.items():
        (board.flash / name).write_bytes(content)
    record = json.loads((board.flash / "installed.json").read_text())
    record["files"] |= {name: [hashlib.sha256(content).hexdigest()] for name, content in older.items()}
    (board.flash / "installed.json").write_text(json.dumps(record))
    board.plug_in()
    told = install(board)
    assert (told["written"], told["removed"]) == (["unit/app.py"], ["unit/gone.py"])
    assert without_record(board) == firmware


@pytest.mark.parametrize("name", ["main.py", "boot.py", "lib/thing.py", "pins.py", "unit/app.mpy"])
def test_a_board_with_somebody_elses_file_is_refused_and_left_as_it_was(board, name):
    (board.flash / name).parent.mkdir(parents=True, exist_ok=True)
    (board.flash / name).write_text("x = 1  # not ours\n")
    before = files_of(board)
    board.plug_in()
    done = apexfix("unit", "install", "--port", board.port)
    assert done.returncode == 3
    assert f"changed since: {name}. " in done.stderr
    assert "--replace-foreign" in done.stderr
    assert files_of(board) == before


def test_foreign_files_are_replaced_when_told_and_kept_on_this_computer(board, firmware, tmp_path):
    foreign = {"main.py": b"while True: pass\n", "notes.txt": b"\x00\xff not text"}
    for name, content in foreign.items():
        (board.flash / name).write_bytes(content)
    board.plug_in()
    told = install(board, "--replace-foreign", cwd=tmp_path)  # its main.py runs for ever and must be stopped
    assert sorted(told["removed"]) == sorted(foreign)
    assert without_record(board) == firmware
    assert {name: (tmp_path / "from-board" / name).read_bytes() for name in foreign} == foreign


def test_a_setting_that_the_unit_refuses_is_told_in_its_own_words(board):
    board.plug_in()
    done = apexfix("unit", "install", "--port", board.port, "--set", "rate_hz", "150")
    assert done.returncode == 3
    assert "rate_hz" in done.stderr
    assert "100 or 200" in done.stderr
    assert "config.json" not in files_of(board)


def test_a_port_behind_which_nothing_answers_is_told():
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        done = apexfix("unit", "install", "--port", os.ttyname(slave))
    finally:
        os.close(master)
        os.close(slave)
    assert done.returncode == 3
    assert "no prompt of MicroPython" in done.stderr
    assert "docs/build.md" in done.stderr


def test_a_cable_pulled_at_any_byte_is_mended_by_a_second_installation(root, micropython):
    command = [sys.executable, str(root / "bench" / "install_interrupted.py"), "--points", "6"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    counts = re.search(r"^6 installations of (\d+) files, .*; (\d+) cut before their end", done.stdout)
    assert int(counts[1]) > 20
    assert int(counts[2]) >= 4
