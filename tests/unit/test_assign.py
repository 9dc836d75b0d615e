"""The command assign: what it lists, what it writes, what it refuses."""

import pytest
from click.testing import CliRunner

from apexfix.cli import main
from apexfix.decisions import read_decisions


@pytest.fixture
def day(hand_day):
    """Two stations, two flights, and between them a mark of A alone: a flight that B missed, or a press by mistake."""
    press = hand_day.press
    hand_day.unit("u01", [hand_day.boot("u01"), press(600.0, 1), press(1100.0, 2), press(1800.0, 3)])
    hand_day.unit("u02", [hand_day.boot("u02"), press(600.3, 1), press(1800.2, 2)])
    return hand_day.folder


def run(*words):
    return CliRunner().invoke(main, ["assign", *map(str, words)], catch_exceptions=False)


def rows(result):
    return {line.split()[0]: line for line in result.stdout.splitlines()[1:]}


def test_only_the_marks_in_doubt_are_listed(day):
    result = run(day)
    assert result.exit_code == 0
    assert set(rows(result)) == {"u01-u01l-3"}
    assert "07:18:20.0" in result.stdout  # 1100 s after 07:00
    assert "no other station saw this flight" in result.stdout


def test_all_marks_are_listed_on_request(day):
    assert sorted(rows(run(day, "--all"))) == ["u01-u01l-2", "u01-u01l-3", "u01-u01l-4", "u02-u02l-2", "u02-u02l-3"]


def test_a_mark_is_set_aside_and_taken_back(day):
    before = run(day, "--all").stdout
    assert "a person set it aside" in rows(run(day, "u01-u01l-3", "-", "--note", "bumped it"))["u01-u01l-3"]
    assert "by hand" in run(day).stdout
    assert run(day, "u01-u01l-3", "--undo").exit_code == 0
    assert run(day, "--all").stdout == before
    assert [(d.mark, d.verdict, d.note) for d in read_decisions(day)] == [("u01-u01l-3", "-", "bumped it"), ("u01-u01l-3", "", "")]


def test_a_mark_is_given_to_a_flight(day):
    assert "a person gave it to flight 7" in run(day, "u01-u01l-3", "7").stdout
    assert read_decisions(day)[0].verdict == 7


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("u01-u01l-9", "2"), "the name of a mark expected; did you mean"),
        (("u01-u01l-3", "two"), "a flight from 1 to 9999, or - to set the mark aside, expected"),
        (("u01-u01l-3", "0"), "a flight from 1 to 9999"),
        (("u01-u01l-3",), "name the FLIGHT"),
        (("u01-u01l-3", "2", "--undo"), "name the FLIGHT"),
    ],
)
def test_what_cannot_be_meant_is_refused_and_nothing_is_written(day, words, told):
    result = run(day, *words)
    assert result.exit_code == 2
    assert told in " ".join(result.stderr.split())
    assert read_decisions(day) == ()


def test_a_day_without_an_archive_ends_with_the_code_of_a_file(hand_day):
    result = run(hand_day.folder)
    assert result.exit_code == 4
    assert "apexfix pull" in result.stderr
