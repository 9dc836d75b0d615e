"""The live view of a unit, with a scripted unit at the other end."""

import json

import pytest

from apexfix.cli.watch import Watched, bar, page, show
from apexfix.session import HostClock, Patience, Session

RESTING = {
    "elevation_mdeg": 45_250, "heading_mdeg": 359_990, "still": True, "still_ms": 12_000, "temperature_cdeg": 2150,
    "supply_mv": 4980, "gyro_offset_mdps": [100, -20, 3], "flight": 7, "presses": 3, "unsaved": 0, "flights_left": 40,
    "selftest": [["imu", "ok", "x"]], "last_error": "",
}  # fmt: skip


@pytest.fixture
def watched(kit):
    def connect(status):
        unit = kit.FakeUnit()
        unit._status = lambda tag: [kit.frame("H", tag, json.dumps(status).encode())]
        session = Session(unit, HostClock(elapsed_s=unit.elapsed_s), Patience(answer_s=0.2, attempts=2))
        return Watched("PORT7", session, session.hello()), unit

    return connect


def test_once_prints_one_reading_of_every_unit(watched, capsys):
    show([watched(RESTING)[0], watched({**RESTING, "elevation_mdeg": None})[0]], once=True, every_s=1.0)
    said = capsys.readouterr().out
    assert said.count("UNIT u01  PORT7") == 2
    assert "ELEVATION     45.25°" in said
    assert "HEADING      359.99°" in said
    assert "ELEVATION    unknown" in said
    assert "21.5 °C   supply 5.0 V" in said
    assert "on for 0:00:07, boot 3" in said
    assert "AXIS" not in said  # no encoder
    assert "\x1b" not in said


def test_it_goes_on_until_it_is_interrupted(watched, capsys):
    pauses = []

    def pause(seconds):
        pauses.append(seconds)
        if len(pauses) == 3:
            raise KeyboardInterrupt

    show([watched(RESTING)[0]], once=False, every_s=0.25, pause=pause)
    assert pauses == [0.25] * 3
    assert capsys.readouterr().out.count("ELEVATION") == 3


def test_on_a_terminal_a_reading_is_written_over_the_one_before(watched, capsys, monkeypatch):
    monkeypatch.setattr("click._compat.should_strip_ansi", lambda *_: False)
    monkeypatch.setattr("click.utils.should_strip_ansi", lambda *_: False)

    def pause(_):
        raise KeyboardInterrupt

    show([watched(RESTING)[0]], once=False, every_s=0.25, pause=pause)
    said = capsys.readouterr().out
    assert said.startswith("\x1b[HUNIT u01  PORT7\x1b[K\n")  # home, and what stood behind the line is wiped out
    assert said.endswith("\x1b[K\n\x1b[J\n")  # and what stood below


def test_the_stands_encoder_has_a_line_of_its_own():
    assert "  AXIS          90.00°" in page("u01", "P", {**RESTING, "axis_mdeg": 90_000}, "c")


def test_a_unit_that_falls_silent_is_said_and_the_others_go_on(watched, capsys):
    (silent, unit), (alive, _) = watched(RESTING), watched(RESTING)
    unit.mishap = lambda verb, frames: []
    show([silent, alive], once=True, every_s=1.0)
    said = capsys.readouterr().out
    assert "NO ANSWER" in said
    assert "45.25°" in said


@pytest.mark.parametrize(
    ("still", "still_ms", "offset", "expected"),
    [
        (False, 0, [1, 2, 3], "[....................] MOVING"),
        (True, 2_500, [1, 2, 3], "[#####...............] WAIT 8 s"),
        (True, 10_000, [1, 2, 3], "[####################] TRUST IT"),
        (True, 20_000, None, "[####################] WAIT 0 s"),
        (None, None, None, "[....................] MOVING"),
    ],
)
def test_the_bar_fills_in_ten_seconds_of_rest(still, still_ms, offset, expected):
    assert bar({"still": still, "still_ms": still_ms, "gyro_offset_mdps": offset}) == expected


def test_what_is_wrong_is_said_in_words_and_cannot_steer_the_terminal():
    wrong = {"flights_left": 2, "selftest": [["imu", "bad", "no\x1b[2J sensor"]], "last_error": "flash: 28"}
    said = page("u01", "P", {**RESTING, **wrong}, "c")
    assert "BAD imu: no [2J sensor" in said
    assert "FLASH NEARLY FULL" in said
    assert "LAST ERROR flash: 28" in said
    assert "\x1b" not in said
