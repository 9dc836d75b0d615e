"""What an installation decides, with a board that is a dictionary; the real prompt is in tests/endtoend."""

import contextlib
import re
import string
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.cli.install import the_port
from apexfix.errors import FileError, UnitError
from apexfix.install import board as board_module
from apexfix.install.board import Board, Facts
from apexfix.install.inventory import INSTALLED, Held, firmware_files, plan, read_vouched, vouched_text
from apexfix.install.work import Wish, put_all

WANTED = {"pins.py": b"PIN = 4\n", "unit/app.py": b"run\n" * 3000, "main.py": b"import unit\n"}
PICO = Facts("micropython", (1, 24, 1), "rp2", "Raspberry Pi Pico with RP2040", 800_000)


class Dictionary:
    """A board whose flash is a dictionary. ``done`` lists what was done to it; a mishap is called before each put."""

    def __init__(self, files=None, facts=PICO, mishap=lambda path: None, says="same"):
        self.flash, self._facts, self._mishap, self._says = dict(files or {}), facts, mishap, says
        self.done = []

    def facts(self):
        return self._facts

    def files(self):
        return {path: Held(len(content), sha256(content).hexdigest()) for path, content in self.flash.items()}

    def read(self, path):
        return self.flash[path]

    def put(self, path, content, told):
        self._mishap(path)
        told(len(content), len(content))
        self.flash[path] = content
        self.done.append(("put", path))

    def remove(self, path):
        del self.flash[path]
        self.done.append(("remove", path))

    def run(self, program):
        self.done.append(("run", program))
        return self._says + "\r\n"


def installed(board, tmp_path, settings=None, replace_foreign=False, wanted=WANTED):
    said, told = [], []
    outcome = put_all(board, wanted, Wish(settings or {}, replace_foreign, tmp_path / "kept"), said.append, told.append)
    return outcome, told


def test_the_starter_goes_first_and_comes_last(tmp_path):
    record = vouched_text({"pins.py": (sha256(b"PIN = 5\n").hexdigest(),)})
    board = Dictionary(WANTED | {"pins.py": b"PIN = 5\n", INSTALLED: record})
    installed(board, tmp_path)
    assert board.done == [
        ("put", INSTALLED), ("remove", "main.py"), ("put", "pins.py"), ("put", "main.py"), ("put", INSTALLED)
    ]  # fmt: skip


def test_the_progress_counts_to_the_end(tmp_path):
    _, told = installed(Dictionary(), tmp_path)
    assert [(step.file, step.number, step.files) for step in told] == [("pins.py", 1, 3), ("unit/app.py", 2, 3), ("main.py", 3, 3)]
    assert [step.done_bytes for step in told] == [8, 12_008, 12_020]
    assert told[-1].done_bytes == told[-1].total_bytes


def test_what_half_arrived_is_cleared_away(tmp_path):
    board = Dictionary({"pins.py.new": b"PI", "unit/app.py.new": b"", INSTALLED + ".new": b"{"})
    board.put = lambda path, content, told: board.flash.update({path: content}) or board.flash.pop(path + ".new", None)
    installed(board, tmp_path)
    assert set(board.flash) == {*WANTED, INSTALLED}


def test_an_equal_board_is_left_as_it_is(tmp_path):
    board = Dictionary()
    installed(board, tmp_path)
    board.done.clear()
    outcome, _ = installed(board, tmp_path)
    assert (board.done, outcome.written, set(outcome.same)) == ([], (), set(WANTED))


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (Facts("circuitpython", (9, 1, 0), "RP2040", "", 1), ["runs circuitpython 9.1.0", "MicroPython was expected", "section 5"]),
        (Facts("micropython", (1, 23, 0), "rp2", "", 1), ["runs MicroPython 1.23.0", "1.24 or newer", "section 5"]),
        (Facts("micropython", (1, 24, 0), "esp32", "a board with ESP32", 1), ["a board with ESP32", "RP2040", "right port"]),
        (Facts("micropython", (1, 24, 0), "rp2", "", 20_000), ["19 KiB free", "40 KiB are needed", "--tidy"]),
    ],
)
def test_a_board_that_does_not_serve_is_told_and_not_touched(tmp_path, facts, words):
    board = Dictionary(facts=facts)
    with pytest.raises(UnitError) as refusal:
        installed(board, tmp_path)
    assert all(word in str(refusal.value) for word in words), refusal.value
    assert board.done == []


def test_every_foreign_file_is_named(tmp_path):
    board = Dictionary({"boot.py": b"x", "lib/a.py": b"y", "log/notes.txt": b"z", "log/00001.seg": b"log", "config.json": b"{}"})
    with pytest.raises(UnitError, match=r"boot\.py, lib/a\.py, log/notes\.txt\."):
        installed(board, tmp_path)
    assert board.done == []


def test_a_changed_file_of_ours_counts_as_foreign(tmp_path):
    board = Dictionary()
    installed(board, tmp_path)
    board.flash["pins.py"] = b"PIN = 9  # my own wiring\n"
    with pytest.raises(UnitError, match=r"changed since: pins\.py\."):
        installed(board, tmp_path)
    outcome, _ = installed(board, tmp_path, replace_foreign=True)
    assert board.flash["pins.py"] == WANTED["pins.py"]
    assert [path.read_bytes() for path in outcome.kept] == [b"PIN = 9  # my own wiring\n"]


def test_a_copy_that_was_kept_is_never_written_over(tmp_path):
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "boot.py").write_bytes(b"older")
    board = Dictionary({"boot.py": b"newer"})
    with pytest.raises(FileError, match="exists already"):
        installed(board, tmp_path, replace_foreign=True)
    assert ((tmp_path / "kept" / "boot.py").read_bytes(), board.done) == (b"older", [])


def test_files_without_a_record_of_ours_count_as_ours_where_they_are_equal(tmp_path):
    board = Dictionary(WANTED)  # copied by hand
    outcome, _ = installed(board, tmp_path)
    assert outcome.written == ()
    assert board.done == [("put", INSTALLED)]  # from now on a later release may replace them


def test_a_damaged_record_vouches_for_nothing():
    for content in (b"", b"\xff", b"[]", b'{"files": 3}', b'{"files": {"main.py": 3}}'):
        assert read_vouched(content) == {}


def test_settings_that_are_refused_are_told_in_the_words_of_the_unit(tmp_path):
    board = Dictionary(says="refused rate_hz is 7, expected 100 or 200")
    with pytest.raises(UnitError, match="not the settings: rate_hz is 7, expected 100 or 200"):
        installed(board, tmp_path, settings={"rate_hz": 7})


names = st.sampled_from(["main.py", "pins.py", "unit/app.py", "unit/old.py", "boot.py", "config.json", "log/00001.seg"])
contents = st.sampled_from([b"a", b"b", b"c" * 5000, WANTED["pins.py"], WANTED["main.py"]])


@given(
    held=st.dictionaries(names, contents),
    vouched=st.dictionaries(names, st.lists(contents, max_size=2)),
    wanted=st.dictionaries(st.sampled_from(sorted(WANTED)), contents, min_size=1),
)
def test_every_file_of_a_board_has_exactly_one_fate(held, vouched, wanted):
    sums = {name: tuple(sha256(content).hexdigest() for content in of) for name, of in vouched.items()}
    on_board = {name: Held(len(content), sha256(content).hexdigest()) for name, content in held.items()}
    todo = plan(wanted, on_board, sums)
    assert set(todo.write) | set(todo.same) == set(wanted)
    assert not set(todo.write) & set(todo.same)
    for name, content in held.items():
        told_by_name = name in ("config.json", "log/00001.seg")
        ours = told_by_name or content == wanted.get(name) or content in vouched.get(name, ())
        assert (name in todo.foreign) == (not ours)
        assert not (told_by_name and name in (*todo.foreign, *todo.write)) or name in vouched
    assert all(set(sums.get(name, ())) <= set(todo.known[name]) for name in todo.known)


@given(at=st.integers(0, 8), changed=st.sets(st.sampled_from(sorted(WANTED))))
def test_a_half_installed_board_never_starts_a_mixture(tmp_path_factory, at, changed):
    class CableOut(Exception):
        pass

    left = at

    def mishap(path):
        nonlocal left
        left -= 1
        if left < 0:
            raise CableOut

    old = {name: content + b"# old\n" if name in changed else content for name, content in WANTED.items()}
    record = vouched_text({name: (sha256(content).hexdigest(),) for name, content in old.items()})
    board = Dictionary({**old, INSTALLED: record}, mishap=mishap)
    folder = tmp_path_factory.mktemp("kept")
    with contextlib.suppress(CableOut):
        installed(board, folder)
    modules = {name: board.flash.get(name) for name in WANTED}
    assert modules["main.py"] is None or modules in (old, WANTED)
    left = 99
    installed(board, folder)
    assert {name: board.flash[name] for name in WANTED} == WANTED


def test_the_starter_is_the_last_of_the_firmware(root):
    files = firmware_files(root / "firmware")
    assert list(files)[-1] == "main.py"
    assert len(files) == len(list((root / "firmware").rglob("*.py")))


# --- the edge: what the library reports becomes a sentence


class Transport:
    """The library's transport, scripted: ``exec`` answers or raises."""

    def __init__(self, *answers):
        self.answers = list(answers)

    def exec(self, program):
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def fs_writefile(self, path, content, chunk, told):
        self.exec("")


def test_a_checksum_that_differs_is_told_and_nothing_gets_the_name():
    transport = Transport(b"", b"0" * 64 + b"\r\n")
    with pytest.raises(UnitError, match=r"main\.py arrived on P with SHA-256 000000000000.*another cable"):
        Board("P", transport).put("main.py", b"x", lambda done, total: None)
    assert transport.answers == []  # no rename was asked for


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (OSError(28, "ENOSPC"), "flash full: pull the log"),
        (OSError(5, "device disconnected"), "P: .*device disconnected"),
        (board_module.TransportError("timeout waiting for first EOF reception"), "the board said 'timeout waiting"),
        (board_module.struct.error("unpack requires a buffer of 2 bytes"), "plug it in anew"),
    ],
)
def test_trouble_of_the_line_is_a_sentence_with_the_port(trouble, words):
    with pytest.raises(UnitError, match=words):
        Board("P", Transport(trouble)).put("main.py", b"x", lambda done, total: None)


def test_an_answer_that_is_no_value_is_told():
    with pytest.raises(UnitError, match="'rubbish\\(', a Python value was expected"):
        Board("P", Transport(b"rubbish(\r\n")).facts()


@pytest.mark.parametrize(("ports", "words"), [((), "no board on any USB port"), (("A", "B"), "A, B; say which with --port")])
def test_no_port_and_two_ports_are_told(monkeypatch, ports, words):
    monkeypatch.setattr("apexfix.cli.install.candidate_ports", lambda: ports)
    with pytest.raises(UnitError, match=re.escape(words)):
        the_port()


def test_names_on_the_board_use_slashes_and_plain_letters(root):
    allowed = set(string.ascii_lowercase + string.digits + "_/.")
    assert all(set(name) <= allowed for name in firmware_files(Path(root / "firmware")))
