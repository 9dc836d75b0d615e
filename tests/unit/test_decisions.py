"""assignments.csv: what a person settled, line by line."""

import csv

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.decisions import ASSIGNMENTS_NAME, LONGEST_NOTE, Decision, add_decision, in_force, read_decisions
from apexfix.errors import FileError

WHEN_US = 1_781_334_000_000_000  # 2026-06-13T07:00:00Z
HEADER = "decided_utc,mark,flight,note\n"


def test_without_a_file_nothing_is_settled(tmp_path):
    assert read_decisions(tmp_path) == ()


def test_the_file_is_one_that_a_person_can_read(tmp_path):
    add_decision(tmp_path, Decision(WHEN_US, "u01-9f3a-57", 3, "saw it, was late"))
    add_decision(tmp_path, Decision(WHEN_US + 1_500_000, "u01-9f3a-58", "-", ""))
    assert (tmp_path / ASSIGNMENTS_NAME).read_text() == (
        HEADER + '2026-06-13T07:00:00Z,u01-9f3a-57,3,"saw it, was late"\n2026-06-13T07:00:01.500000Z,u01-9f3a-58,-,\n'
    )


def test_the_last_line_about_a_mark_counts_and_an_empty_flight_takes_back():
    lines = [("a", 3), ("b", "-"), ("a", 4), ("c", 5), ("c", "")]
    assert in_force(Decision(WHEN_US, mark, verdict, "") for mark, verdict in lines) == {"a": 4, "b": None}


def test_lines_are_only_ever_added(tmp_path):
    held = b""
    for n in range(1, 6):
        add_decision(tmp_path, Decision(WHEN_US, "u01-9f3a-57", n, ""))
        now = (tmp_path / ASSIGNMENTS_NAME).read_bytes()
        assert now.startswith(held)
        assert len(now) > len(held)
        held = now


def test_a_file_without_a_last_line_end_is_continued_on_a_new_line(tmp_path):
    (tmp_path / ASSIGNMENTS_NAME).write_text(HEADER + "2026-06-13T07:00:00Z,u01-9f3a-57,3,")
    add_decision(tmp_path, Decision(WHEN_US, "u01-9f3a-57", 4, ""))
    assert [decision.verdict for decision in read_decisions(tmp_path)] == [3, 4]


def test_a_spreadsheet_may_have_saved_the_file(tmp_path):
    text = HEADER + '2026-06-13T07:00:00Z,"u01-9f3a-57",3,""\n,,,\n# looked at the film\n'
    (tmp_path / ASSIGNMENTS_NAME).write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert [(d.decided_utc_us, d.mark, d.verdict) for d in read_decisions(tmp_path)] == [(WHEN_US, "u01-9f3a-57", 3)]


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@SUM(A1)", "'=1"])
def test_no_spreadsheet_runs_a_note(tmp_path, start):
    add_decision(tmp_path, Decision(WHEN_US, "u01-9f3a-57", 3, start))
    with (tmp_path / ASSIGNMENTS_NAME).open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["note"].startswith("'")
    assert read_decisions(tmp_path)[0].note == start


@pytest.mark.parametrize(
    ("line", "field"),
    [
        ("yesterday,u01-9f3a-57,3,", "decided_utc"),
        ("2026-06-31T07:00:00Z,u01-9f3a-57,3,", "decided_utc"),
        ("2026-06-13T07:00:00+02:00,u01-9f3a-57,3,", "decided_utc"),
        ("2026-06-13T07:00:00Z,,3,", "mark"),
        ("2026-06-13T07:00:00Z,u01\x1b[31m,3,", "mark"),
        ("2026-06-13T07:00:00Z,u01-9f3a-57,three,", "flight"),
        ("2026-06-13T07:00:00Z,u01-9f3a-57,0,", "flight"),
        ("2026-06-13T07:00:00Z,u01-9f3a-57,10000,", "flight"),
        ("2026-06-13T07:00:00Z,u01-9f3a-57,99999999999999999999,", "flight"),
        ("2026-06-13T07:00:00Z,u01-9f3a-57,-3,", "flight"),
        (f"2026-06-13T07:00:00Z,u01-9f3a-57,3,{'x' * (LONGEST_NOTE + 1)}", "note"),
        ("2026-06-13T07:00:00Z,u01-9f3a-57,3", None),
        ("2026-06-13T07:00:00Z,u01-9f3a-57,3,late, he said", None),
        ('2026-06-13T07:00:00Z,u01-9f3a-57,3,"late', None),
    ],
)
def test_a_wrong_line_is_named_with_its_field(tmp_path, line, field):
    (tmp_path / ASSIGNMENTS_NAME).write_text(HEADER + "2026-06-13T07:00:00Z,u01-9f3a-56,3,\n" + line + "\n")
    with pytest.raises(FileError) as caught:
        read_decisions(tmp_path)
    assert (caught.value.line, caught.value.field) == (3, field)


def test_a_file_with_another_header_is_refused(tmp_path):
    (tmp_path / ASSIGNMENTS_NAME).write_text("mark;flight\nu01-9f3a-57;3\n")
    with pytest.raises(FileError, match="decided_utc,mark,flight,note expected"):
        read_decisions(tmp_path)


@pytest.mark.parametrize("note", ["\x1b[31mred", "x" * (LONGEST_NOTE + 1)])
def test_a_note_that_could_not_be_read_again_is_not_written(tmp_path, note):
    with pytest.raises(FileError):
        add_decision(tmp_path, Decision(WHEN_US, "u01-9f3a-57", 3, note))
    assert not (tmp_path / ASSIGNMENTS_NAME).exists()


def test_a_note_of_two_lines_becomes_one(tmp_path):
    add_decision(tmp_path, Decision(WHEN_US, "u01-9f3a-57", 3, " late,\nI think "))
    assert read_decisions(tmp_path)[0].note == "late, I think"


_texts = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=20)
_decisions = st.builds(
    Decision, st.integers(0, 4 * 10**15), _texts, st.sampled_from(["-", ""]) | st.integers(1, 9999), st.just("") | _texts
)


@given(st.lists(_decisions, min_size=1, max_size=4))
def test_what_is_written_is_read_back(tmp_path_factory, decisions):
    folder = tmp_path_factory.mktemp("day")
    for decision in decisions:
        add_decision(folder, decision)
    assert read_decisions(folder) == tuple(decisions)
