"""The desk's worker: scripted units behind invented ports, one turn after the other."""

import contextlib
import threading
import time
from functools import partial

import pytest

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.cli.reduction import answered
from apexfix.decisions import Decision, add_decision
from apexfix.desk import visit as visits
from apexfix.desk.worker import Desk, Habits
from apexfix.errors import FileError, UnitError
from apexfix.reduce.options import Options
from apexfix.session import HostClock

DAY_UTC_S = 1_781_334_000.0
ANSWERED = partial(answered, options=Options())


class Clocks:
    """A laptop's clocks: whoever looks finds them a millisecond on. They can sleep, and be put right."""

    now_s, ahead_s = 100.0, DAY_UTC_S

    def elapsed_s(self):
        self.now_s += 0.001
        return self.now_s

    def utc_us(self):
        return round((self.now_s + self.ahead_s) * 1e6)

    def host(self):
        return HostClock(self.utc_us, lambda: round(self.now_s * 1e6), self.elapsed_s)


class Bench:
    """Ports by their names, and what is plugged into them."""

    def __init__(self, kit, boot):
        self.kit, self.boot, self.units, self.opened = kit, boot, {}, []

    @contextlib.contextmanager
    def open_port(self, name):
        self.opened.append(name)
        if name not in self.units:
            raise UnitError(f"port {name}: nobody there")
        yield self.units[name]

    def plug(self, port, name="u01"):
        records = self.boot(name, boot=3)(1) + self.kit.press_record(2) + self.kit.window_record(3, 2, total=2)
        unit = self.kit.FakeUnit({1: records}, serial=f"serial-{name}")
        unit.name = name
        self.units[port] = unit
        return unit


@pytest.fixture
def bench(kit, hand_day, monkeypatch):
    bench = Bench(kit, hand_day.boot)
    monkeypatch.setattr(visits, "open_port", bench.open_port)
    return bench


@pytest.fixture
def clocks():
    return Clocks()


@pytest.fixture
def opened(hand_day, clocks):
    """A function that opens a desk on the folder; ``stop`` must work also where it was never started."""
    desks = []

    def make(ports=("P1",), answers=ANSWERED, **habits):
        desk = Desk(hand_day.folder, answers, Habits(ports=ports, every_s=1.0, host=clocks.host(), **habits))
        desks.append(desk)
        return desk

    yield make
    for desk in desks:
        desk.stop()


def turn(desk, until):
    """Turn until something is true; half a minute is far beyond what any of this takes."""
    deadline = time.monotonic() + 30
    while not until():
        assert time.monotonic() < deadline, desk.snapshot
        desk.turn()
        time.sleep(0.002)


def states(desk):
    return {card.port: card.state for card in desk.snapshot.units}


def card(desk, port="P1"):
    return next(card for card in desk.snapshot.units if card.port == port)


def connected(desk, port="P1"):
    turn(desk, lambda: states(desk).get(port) == "connected")
    return card(desk, port)


def visit_again(desk, bench, clocks):
    """Let the unit be visited twice more; the second then knows what the first one did."""
    for _ in range(2):
        before = len(bench.opened)
        clocks.now_s += 1.0
        turn(desk, lambda before=before: len(bench.opened) > before)
        connected(desk)


def exchanges(folder):
    with open_archive(folder / ARCHIVE_NAME) as archive:
        return len(list(archive.exchanges()))


def verbs(unit):
    return [request[0] for request in unit.requests]


# --- units ----------------------------------------------------------------------------------------------------------


def test_a_unit_is_pulled_when_it_is_plugged_in_and_its_flight_appears(opened, bench, hand_day):
    desk = opened()
    turn(desk, lambda: states(desk) == {"P1": "no unit"})
    assert card(desk).said == "port P1: nobody there"
    unit = bench.plug("P1")
    turn(desk, lambda: desk.snapshot.board.flights)
    assert [flight.verdict for flight in desk.snapshot.board.flights] == ["unsolved"]
    with open_archive(hand_day.folder / ARCHIVE_NAME) as archive:
        assert archive.segment_bytes("serial-u01", "9f3a01c2", 1) == unit.segments[1]


def test_a_card_tells_name_station_and_clock(opened, bench, clocks):
    bench.plug("P1", "u02")
    shown = connected(opened())
    assert (shown.unit, shown.station, shown.said) == ("u02", "B", "")
    assert shown.compared_utc_us == pytest.approx(clocks.utc_us(), abs=5e6)
    assert shown.offset.endswith(" ms")
    assert shown.drift.endswith(" ppm")


def test_status_values_that_make_no_sense_are_unknown_and_complaints_are_told(opened, bench, kit):
    unit = bench.plug("P1")
    unit._status = lambda tag: [
        kit.frame("H", tag, b'{"supply_mv":"x","flights_left":3,"selftest":[["imu","bad","no\\u0007thing"],5],"last_error":"<b>"}')
    ]
    shown = connected(opened())
    assert (shown.supply, shown.flash) == ("unknown", "3 flights")
    assert shown.notes == (
        "imu failed its test: no\N{REPLACEMENT CHARACTER}thing",
        "its flash is nearly full: 'apexfix pull DAY --tidy' makes room",
        "last error: <b>",
    )


def test_what_is_held_already_is_not_fetched_again_and_what_is_new_is(opened, bench, clocks, hand_day, kit):
    unit, desk = bench.plug("P1"), opened()
    connected(desk)
    fetched, compared = verbs(unit).count("read"), exchanges(hand_day.folder)
    visit_again(desk, bench, clocks)
    assert verbs(unit).count("read") == fetched
    assert exchanges(hand_day.folder) == compared
    unit.segments[1] += kit.press_record(4, t_us=60_000_000)
    visit_again(desk, bench, clocks)
    with open_archive(hand_day.folder / ARCHIVE_NAME) as archive:
        assert archive.segment_bytes("serial-u01", "9f3a01c2", 1) == unit.segments[1]


def test_a_unit_that_fails_shows_its_message_and_stops_no_other(opened, bench):
    bench.plug("P1", "u01").mishap = lambda verb, frames: [] if verb == "read" else frames
    bench.plug("P2", "u02")
    desk = opened(("P1", "P2", "P3"))
    turn(desk, lambda: states(desk) == {"P1": "no unit", "P2": "connected", "P3": "no unit"})
    assert "segment 1 came up to byte 0" in card(desk, "P1").said
    assert card(desk, "P3").said == "port P3: nobody there"


def test_a_unit_that_is_unplugged_keeps_its_row_and_is_pulled_anew_when_it_returns(opened, bench, clocks, hand_day):
    desk = opened()
    unit = bench.plug("P1")
    connected(desk)
    compared = exchanges(hand_day.folder)
    del bench.units["P1"]
    clocks.now_s += 1.0
    turn(desk, lambda: states(desk) == {"P1": "silent"})
    assert (card(desk).unit, card(desk).said) == ("u01", "port P1: nobody there")
    bench.units["P1"] = unit
    unit.now_s += 60.0  # it ran on
    clocks.now_s += 1.0
    connected(desk)
    assert exchanges(hand_day.folder) > compared


@pytest.mark.parametrize(("slept_s", "stepped_s"), [(3600.0, 0.0), (0.0, 3600.0), (0.0, -60.0)])
def test_after_a_sleep_or_a_step_of_the_clock_all_clocks_are_compared_again(opened, bench, clocks, hand_day, slept_s, stepped_s):
    unit, desk = bench.plug("P1"), opened()
    connected(desk)
    visit_again(desk, bench, clocks)
    compared = exchanges(hand_day.folder)
    unit.now_s += 3600.0
    clocks.now_s += slept_s
    clocks.ahead_s += stepped_s
    visit_again(desk, bench, clocks)
    assert exchanges(hand_day.folder) == compared + 16


def test_a_visit_that_began_before_a_sleep_does_not_count(opened, bench, clocks, hand_day):
    unit, desk = bench.plug("P1"), opened()
    connected(desk)
    visit_again(desk, bench, clocks)
    compared = exchanges(hand_day.folder)
    asleep, woken = threading.Event(), threading.Event()

    def slow(verb, frames):
        if verb == "segments" and not asleep.is_set():
            asleep.set()
            assert woken.wait(30)
        return frames

    unit.mishap = slow
    clocks.now_s += 1.0
    turn(desk, asleep.is_set)
    unit.now_s += 3600.0
    clocks.ahead_s += 3600.0
    desk.turn()
    woken.set()
    turn(desk, lambda: exchanges(hand_day.folder) == compared + 16)


def test_a_device_that_is_no_unit_is_left_in_peace_for_half_a_minute(opened, bench, clocks):
    desk = opened(None, discover=lambda: ["printer"])
    turn(desk, lambda: states(desk) == {"printer": "no unit"})
    for _ in range(5):
        clocks.now_s += 5.0
        desk.turn()
        time.sleep(0.01)
    assert bench.opened == ["printer"]
    clocks.now_s += 6.0
    turn(desk, lambda: bench.opened == ["printer"] * 2)


def test_ports_are_found_as_they_come_and_a_unit_that_went_is_still_told(opened, bench):
    ports = []
    desk = opened(None, discover=lambda: list(ports))
    desk.turn()
    assert desk.snapshot.units == ()
    ports += ["P1", "printer"]
    bench.plug("P1")
    turn(desk, lambda: states(desk) == {"P1": "connected", "printer": "no unit"})
    ports.clear()
    turn(desk, lambda: states(desk) == {"P1": "unplugged"})
    ports.append("P1")
    connected(desk)


def test_a_unit_that_hangs_holds_up_neither_the_day_nor_another_unit(opened, bench, hand_day):
    hang = threading.Event()
    bench.plug("P1", "u01").mishap = lambda verb, frames: frames if hang.wait(30) else []
    bench.plug("P2", "u02")
    desk = opened(("P1", "P2"))
    connected(desk, "P2")
    turn(desk, lambda: desk.snapshot.board.flights)
    assert card(desk, "P1").state == "waiting"
    hang.set()
    connected(desk, "P1")


# --- the day --------------------------------------------------------------------------------------------------------


def test_a_folder_without_a_site_is_no_day(tmp_path):
    with pytest.raises(FileError, match="there is no such file"):
        Desk(tmp_path, lambda folder, field: None, Habits(ports=()))


def test_the_day_is_reduced_when_a_file_changed_and_only_then(opened, hand_day):
    calls = []

    def counted(folder, field):
        calls.append(folder)
        return answered(folder, field, Options())

    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0)])
    desk = opened((), counted)
    for _ in range(3):
        desk.turn()
    assert len(calls) == 1
    mark = "u01-u01l-2"
    add_decision(hand_day.folder, Decision(0, mark, "-", "by another program"))
    desk.turn()
    desk.turn()
    assert len(calls) == 2
    assert [(each.name, each.settled, each.note) for each in desk.snapshot.board.marks] == [(mark, True, "by another program")]


@pytest.mark.parametrize("name", ["calibration-serial-u01.json", "steps.csv", "sightings.csv"])
def test_a_file_that_is_put_into_the_folder_counts_at_once(opened, hand_day, name):
    texts = {
        "calibration-serial-u01.json": '{"format": 1, "id": "late", "serial": "serial-u01", "accel_offset_g": [0.1, 0, 0]}',
        "steps.csv": "log,record,step\nelsewhere,1,stand\n",
        "sightings.csv": "flight,station,time_utc,azimuth_deg,elevation_deg\n",
    }
    calls = []
    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0)])
    desk = opened((), lambda folder, field: calls.append(folder) or answered(folder, field, Options()))
    desk.turn()
    (hand_day.folder / name).write_text(texts[name])
    desk.turn()
    desk.turn()
    assert len(calls) == 2


def test_a_file_that_cannot_be_read_is_told_and_the_last_answers_stay(opened, hand_day):
    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0)])
    desk, site = opened(()), hand_day.folder / "site.toml"
    desk.turn()
    assert (desk.snapshot.trouble, len(desk.snapshot.board.flights)) == ("", 1)
    whole = site.read_text()
    site.write_text(whole.replace("east_m = 100.0", "east_m = far"))
    desk.turn()
    assert "site.toml" in desk.snapshot.trouble
    assert len(desk.snapshot.board.flights) == 1
    site.write_text(whole)
    desk.turn()
    assert desk.snapshot.trouble == ""


def test_a_desk_knows_nothing_that_the_folder_does_not_hold(opened, hand_day, bench, clocks):
    hand_day.unit("u02", [hand_day.boot("u02"), hand_day.press(600.0)])
    first = opened(())
    first.turn()
    again = opened(())
    again.turn()
    assert again.snapshot == first.snapshot


def test_a_page_waits_for_the_worker_but_not_for_ever(opened):
    desk = opened(())
    assert not desk.refresh(patience_s=0.05)
    desk.start()
    assert desk.refresh()
    assert desk.working


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_the_program_ends_the_worker_and_is_told(opened):
    desk = opened((), lambda folder: 1 // 0)
    desk.start()
    assert not desk.refresh(patience_s=0.5)
    assert not desk.working
