import os
import sqlite3
import threading

import pytest
from click.testing import CliRunner

from apexfix.archive import open_archive
from apexfix.cli import main
from apexfix.clock import clocks
from apexfix.errors import FileError, UnitError
from apexfix.pull import PullOptions, pull_all, pull_unit
from apexfix.session import HostClock, Session

UTC_US = 1_800_000_000_000_000


@pytest.fixture
def archive(tmp_path):
    with open_archive(tmp_path / "archive.sqlite") as opened:
        yield opened


@pytest.fixture
def log(kit):
    windows = b"".join(kit.window_record(3 + i, 2, first=2 * i, total=200) for i in range(100))
    first = kit.boot_record(1) + kit.press_record(2) + windows
    return {1: first + b"AX torn", 2: kit.boot_record(103, boot=4) + kit.press_record(104, boot=4)}


def pull(unit, archive, **more):
    host = HostClock(lambda: UTC_US + unit.t_us(), unit.t_us, unit.elapsed_s)
    return pull_unit(Session(unit, host), archive, "COM3", PullOptions(host=host, **more))


def test_a_unit_is_pulled_whole_with_clocks_before_and_after(kit, archive, log):
    unit = kit.FakeUnit(log)
    outcome = pull(unit, archive)
    assert (outcome.unit, outcome.error, outcome.damaged_bytes) == ("u01", "", 7)
    assert outcome.fresh_bytes == sum(map(len, log.values()))
    assert archive.segments("e661", "9f3a01c2") == tuple(log.values())
    assert len(list(archive.exchanges())) == 16
    verbs = [request[0] for request in unit.requests]
    assert verbs.index("clock") < verbs.index("read") < len(verbs) - verbs[::-1].index("clock")
    assert unit.forgotten == []


def test_pulling_again_fetches_only_what_is_new(kit, archive, log):
    unit = kit.FakeUnit(log)
    pull(unit, archive)
    assert pull(unit, archive).fresh_bytes == 0
    more = kit.press_record(105, boot=4)
    unit.segments[2] += more
    assert pull(unit, archive).fresh_bytes == len(more)
    assert len(list(archive.presses())) == 3


def test_an_interrupted_pull_goes_on_where_it_stopped(kit, archive):
    log = {1: b"".join(kit.press_record(n) for n in range(400))}
    unit = kit.FakeUnit(log, mishap=lambda verb, frames: [] if verb == "read" and reads() > 2 else frames)

    def reads():
        return sum(request[0] == "read" for request in unit.requests)

    outcome = pull(unit, archive)
    assert "segment 1 came up to byte 16384" in outcome.error
    assert outcome.fresh_bytes == 16384
    unit.mishap = lambda verb, frames: frames
    unit.requests.clear()
    assert pull(unit, archive).error == ""
    assert next(request for request in unit.requests if request[0] == "read")[2] == "16384"
    assert archive.segments("e661", "9f3a01c2") == (log[1],)


def test_a_reboot_in_mid_transfer_loses_nothing(kit, archive):
    unit = kit.FakeUnit({1: b"".join(kit.press_record(n) for n in range(400))})

    def reboot(verb, frames):
        if verb == "read" and unit.boot == 3:
            unit.boot = 4
            unit.segments[2] = kit.boot_record(400, boot=4)
            return [frames[0], b"MPY: soft reboot\r\n"]
        return frames

    unit.mishap = reboot
    assert pull(unit, archive).error == ""
    assert {exchange.boot for exchange in archive.exchanges()} == {3, 4}
    assert len(list(archive.presses())) == 400
    assert pull(unit, archive).fresh_bytes == len(unit.segments[2])


@pytest.mark.parametrize("step_s", [3600, -3600, 0.5])
def test_a_laptop_whose_clock_jumps_in_mid_transfer_maps_the_day_by_the_later_time(kit, archive, log, step_s):
    unit = kit.FakeUnit(log)

    def utc_us():
        jumped = any(request[0] == "read" for request in unit.requests)
        return UTC_US + unit.t_us() + (round(step_s * 1e6) if jumped else 0)

    outcome = pull_unit(Session(unit, HostClock(utc_us, unit.t_us, unit.elapsed_s)), archive, "COM3", PullOptions())
    assert outcome.error == ""
    (clock,) = clocks(archive.exchanges()).values()
    assert len(clock.remarks) == 1
    assert "stepped" in clock.remarks[0]
    mapped_us, sigma_s = clock.utc_us(unit.t_us())
    assert float(mapped_us) - UTC_US - unit.t_us() - step_s * 1e6 == pytest.approx(0, abs=4e6 * float(sigma_s))


def test_tidying_erases_only_closed_segments_that_are_held_whole(kit, archive, log):
    unit = kit.FakeUnit(log)
    assert pull(unit, archive, tidy=True).tidied == 1
    assert unit.forgotten == [1]  # the fake unit itself compares length and checksum


def test_a_unit_too_busy_to_tidy_is_told_and_no_error(kit, archive, log):
    unit = kit.FakeUnit(log)
    unit.refused["forget"] = 4, b"a press is being saved"
    outcome = pull(unit, archive, tidy=True)
    assert (outcome.error, outcome.tidied, outcome.untidied) == ("", 0, 1)
    del unit.refused["forget"]
    assert pull(unit, archive, tidy=True).tidied == 1


def test_a_unit_that_is_busy_for_a_moment_is_asked_again(kit, archive, log):
    unit = kit.FakeUnit(log)

    def busy_once(verb, frames):
        tries = sum(request[0] == "forget" for request in unit.requests)
        return [kit.frame("N", unit.tag, b"\x04not now")] if verb == "forget" and tries == 1 else frames

    unit.mishap = busy_once
    unit._forget = lambda tag, *args: setattr(unit, "tag", tag) or kit.FakeUnit._forget(unit, tag, *args)
    outcome = pull(unit, archive, tidy=True)
    assert (outcome.error, outcome.tidied, outcome.untidied) == ("", 1, 0)


def test_a_segment_that_was_erased_while_the_answer_was_lost_counts_as_tidied(kit, archive, log):
    unit = kit.FakeUnit(log)
    unit.mishap = lambda verb, frames: [] if verb == "forget" and len(unit.requests) == lost() else frames

    def lost():
        return next(n for n, request in enumerate(unit.requests, 1) if request[0] == "forget")

    outcome = pull(unit, archive, tidy=True)
    assert (outcome.error, outcome.tidied) == ("", 1)
    assert unit.forgotten == [1]


def test_a_refusal_that_is_for_good_is_an_error_of_the_pull(kit, archive, log):
    unit = kit.FakeUnit(log)
    unit.refused["forget"] = 5, b"checksum differs"
    assert "checksum differs" in pull(unit, archive, tidy=True).error


def test_an_announced_length_of_four_gigabytes_is_not_believed(kit, archive, log):
    unit = kit.FakeUnit(dict(log))
    unit._segments = lambda tag: [
        kit.frame("S", tag, (1).to_bytes(4, "little") + b"\xff\xff\xff\xff\x01"),
        kit.frame("E", tag, b"\x01\0\0\0"),
    ]
    assert "4294967295 were announced" in pull(unit, archive).error
    assert archive.segments("e661", "9f3a01c2") == (log[1],)


def test_names_of_a_unit_reach_neither_paths_nor_the_terminal(kit, archive):
    unit = kit.FakeUnit({1: kit.boot_record(1, unit="../../etc/x\x1b]0;owned\x07")}, serial="../e661")
    unit.name = "../../x\x1b[2J\r\n"
    outcome = pull(unit, archive)
    assert outcome.unit.isprintable()
    assert outcome.error == ""
    (stored,) = archive.boots()
    assert stored.record.unit.isprintable()
    assert archive.units()[0].name.isprintable()


def test_a_shrunken_segment_is_an_error_and_nothing_is_erased(kit, archive, log):
    unit = kit.FakeUnit(dict(log))
    pull(unit, archive)
    unit.segments[1] = log[1][:100]
    outcome = pull(unit, archive, tidy=True)
    assert "segments never shrink" in outcome.error
    assert unit.forgotten == []
    assert archive.segments("e661", "9f3a01c2") == tuple(log.values())


def test_progress_rises_to_the_total(kit, archive, log):
    seen = []
    pull(kit.FakeUnit(log), archive, progress=seen.append)
    done = [progress.done_bytes for progress in seen]
    assert done == sorted(done)
    assert done[-1] == seen[-1].total_bytes == sum(map(len, log.values()))


# --- through real ports ---------------------------------------------------------------------------------------------


@pytest.fixture
def plug_in():
    """Put fake units behind pseudo-terminals, each with its own thread; returns the path of the port."""
    pty, tty = pytest.importorskip("pty", reason="pseudo-terminals are of Linux and macOS"), pytest.importorskip("tty")
    stop, threads, handles = threading.Event(), [], []

    def serve(unit, ours):
        while not stop.is_set():
            if data := os.read(ours, 4096):
                unit.write(data)
            while unit.pending:
                os.write(ours, unit.read(512))

    def plug(unit):
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        handles.extend((ours, theirs))
        threads.append(threading.Thread(target=serve, args=(unit, ours), daemon=True))
        threads[-1].start()
        return os.ttyname(theirs)

    yield plug
    stop.set()
    for theirs in handles[1::2]:
        os.write(theirs, b"\n")  # wakes the thread, which then sees that it is over
    for thread in threads:
        thread.join(10)
    for handle in handles:
        os.close(handle)


def test_several_units_are_pulled_at_once_and_a_bad_port_does_not_stop_them(kit, plug_in, log, tmp_path):
    ports = [plug_in(kit.FakeUnit(dict(log), serial=serial)) for serial in ("a", "b", "c")]
    outcomes = pull_all([ports[0], "/dev/no-such-port", *ports[1:]], tmp_path / "new" / "day")
    assert [outcome.serial for outcome in outcomes] == ["a", "", "b", "c"]
    assert [bool(outcome.error) for outcome in outcomes] == [False, True, False, False]
    with open_archive(tmp_path / "new" / "day" / "archive.sqlite") as archive:
        assert len(list(archive.presses())) == 6


def test_an_injected_utc_is_what_the_archive_holds(kit, plug_in, tmp_path):
    pull_all([plug_in(kit.FakeUnit({}))], tmp_path, utc_us=lambda: UTC_US)
    with open_archive(tmp_path / "archive.sqlite") as archive:
        assert {exchange.t1_utc_us for exchange in archive.exchanges()} == {UTC_US}


def test_without_any_unit_the_error_says_so(tmp_path, mocker):
    mocker.patch("apexfix.pull.candidate_ports", return_value=("/dev/no-such-port",))
    with pytest.raises(UnitError, match=r"no unit found \(/dev/no-such-port: "):
        pull_all(None, tmp_path)


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="cannot be made"):
        pull_all(["loop://"], tmp_path / "file" / "day")


def test_the_command_prints_a_table_and_ends_with_3_where_a_unit_failed(kit, plug_in, log, tmp_path):
    port = plug_in(kit.FakeUnit(log))
    good = CliRunner().invoke(main, ["pull", str(tmp_path / "day"), "--port", port])
    assert good.exit_code == 0, good.output
    assert f"u01               {port}" in good.stdout
    assert "bytes" in good.stderr
    bad = CliRunner().invoke(main, ["pull", str(tmp_path / "day"), "--port", port, "--port", "/dev/no-such-port"])
    assert bad.exit_code == 3
    assert "/dev/no-such-port" in bad.stdout
    with sqlite3.connect(tmp_path / "day" / "archive.sqlite") as database:
        assert database.execute("SELECT count(*) FROM pulls").fetchone() == (2,)
    database.close()


@pytest.mark.parametrize(
    ("words", "expected", "request_sent"),
    [
        (["list"], "e661", ("hello",)),
        (["status"], '"flight": 7', ("status",)),
        (["set", "rate_hz", "200"], "", ("set", "rate_hz", "200")),
        (["set", "unit", "u02"], "", ("set", "unit", '"u02"')),
        (["flight", "12"], "", ("flight", "12")),
        (["locate"], "", ("locate",)),
    ],
)
def test_unit_commands_reach_the_unit(kit, plug_in, words, expected, request_sent):
    unit = kit.FakeUnit({})
    unit._config = unit._status
    unit._flight = lambda tag, number: [kit.frame("E", tag, bytes(4))]
    unit._locate = lambda tag: [kit.frame("E", tag, bytes(4))]
    done = CliRunner().invoke(main, ["unit", words[0], "--port", plug_in(unit), *words[1:]])
    assert done.exit_code == 0, done.output
    assert expected in done.stdout
    assert request_sent in unit.requests
