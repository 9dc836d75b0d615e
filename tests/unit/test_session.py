import pytest

from apexfix.errors import UnitError
from apexfix.session import HostClock, Session
from apexfix.wire import SegmentEntry, encode_request

LOG = bytes(range(256)) * 80  # 20480 bytes: three requests of 8192


def talk_to(unit):
    clock = HostClock(lambda: 1_800_000_000_000_000 + unit.t_us(), unit.t_us, unit.elapsed_s)
    return Session(unit, clock)


def every(nth, change):
    """A mishap that befalls every nth answer only."""
    count = 0

    def mishap(verb, frames):
        nonlocal count
        count += 1
        return change(frames) if count % nth == 0 else frames

    return mishap


def test_a_unit_says_who_it_is(kit):
    who = talk_to(kit.FakeUnit()).hello()
    assert (who.unit, who.serial, who.log, who.boot) == ("u01", "e661", "9f3a01c2", 3)


def test_a_segment_arrives_whole(kit):
    assert b"".join(talk_to(kit.FakeUnit({1: LOG})).read_segment(1)) == LOG


def test_a_segment_is_resumed_from_an_offset(kit):
    unit = kit.FakeUnit({1: LOG})
    assert b"".join(talk_to(unit).read_segment(1, 20_000)) == LOG[20_000:]
    assert unit.requests[0] == ("read", "1", "20000", "8192")


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda frames: [], id="lost answers"),
        pytest.param(lambda frames: frames[:-1], id="lost ends"),
        pytest.param(lambda frames: frames[1:], id="lost first frames"),
        pytest.param(lambda frames: frames[:3] + frames[4:], id="lost frames in the middle"),
        pytest.param(lambda frames: [f for frame in frames for f in (frame, frame)], id="every frame twice"),
        pytest.param(lambda frames: [*reversed(frames[:-1]), frames[-1]], id="backwards"),
        pytest.param(lambda frames: [b"boot: \x00\xffMicroPython\r\n", *frames], id="noise before"),
        pytest.param(lambda frames: [frame[:-9] + b"\x07" + frame[-8:] for frame in frames], id="damaged"),
    ],
)
@pytest.mark.parametrize("nth", [2, 3])
def test_what_befalls_answers_does_not_befall_the_bytes(kit, change, nth):
    session = talk_to(kit.FakeUnit({1: LOG, 2: b"x"}, mishap=every(nth, change)))
    assert [entry.length for entry in session.segments()] == [len(LOG), 1]
    assert b"".join(session.read_segment(1)) == LOG


def test_a_late_answer_with_an_old_tag_is_ignored(kit):
    held_back = []

    def late_once(verb, frames):
        if not held_back:
            held_back.extend(frames)
            return []
        return [*held_back, *frames] if len(unit.requests) == 2 else frames

    unit = kit.FakeUnit(mishap=late_once)
    session = talk_to(unit)
    session.hello()
    assert session.status() == {"flight": 7, "still": None}  # and not a greeting that was left over


def test_a_segment_that_ends_early_in_a_list_is_asked_for_again(kit):
    unit = kit.FakeUnit({1: LOG, 2: b"x"}, mishap=every(1, lambda frames: frames[1:]))
    with pytest.raises(UnitError, match="list of segments came incomplete, the last time with 1"):
        talk_to(unit).segments()


def test_a_stuck_unit_is_given_up_and_the_error_says_how_far_it_got(kit):
    unit = kit.FakeUnit({1: LOG}, mishap=lambda verb, frames: frames if len(unit.requests) < 2 else [])
    pieces = []
    with pytest.raises(UnitError, match="segment 1 came up to byte 8192"):
        pieces.extend(talk_to(unit).read_segment(1))
    assert b"".join(pieces) == LOG[:8192]
    assert unit.now_s < 10.0  # five tries of about a second


def test_a_talker_without_end_is_given_up(kit):
    unit = kit.FakeUnit()
    unit.read = lambda most: setattr(unit, "now_s", unit.now_s + 0.05) or b"U\0" * 50
    with pytest.raises(UnitError, match="no answer in 5 tries"):
        talk_to(unit).hello()


def test_a_segment_without_end_is_given_up(kit):
    with pytest.raises(UnitError, match="does not end at byte"):
        list(talk_to(kit.FakeUnit({1: bytes(3_000_000)})).read_segment(1))


def test_a_traceback_in_the_noise_is_quoted(kit):
    crash = b'\r\nTraceback (most recent call last):\r\n  File "main.py", line 7\r\nOSError: [Errno 5] EIO\r\n\0'
    unit = kit.FakeUnit(mishap=lambda verb, frames: [crash])
    with pytest.raises(UnitError, match=r"the unit printed: Traceback.*\n.*\n.*EIO"):
        talk_to(unit).hello()


@pytest.mark.parametrize("level", [0, 2, 1.5, None, "1", "\x1b[2J"])
def test_an_older_or_newer_level_is_an_error_that_names_both(kit, level):
    with pytest.raises(UnitError, match=r"the unit speaks level .*, this host level 1; install the firmware") as told:
        talk_to(kit.FakeUnit(level=level)).hello()
    assert str(told.value).isprintable()
    assert f"level {level}," in str(told.value) or level == "\x1b[2J"


def test_a_step_of_the_laptop_s_clock_inside_an_exchange_is_not_in_it(kit):
    unit = kit.FakeUnit()
    asked = []

    def utc_us():
        asked.append(unit.t_us())
        return 1_800_000_000_000_000 + unit.t_us() + (3_600_000_000 if len(asked) > 1 else 0)

    session = Session(unit, HostClock(utc_us, unit.t_us, unit.elapsed_s))
    exchange = session.exchange()
    assert 0 < exchange.t4_utc_us - exchange.t1_utc_us < 100_000
    assert session.exchange().t1_utc_us - exchange.t4_utc_us > 3_599_000_000


def test_a_prompt_is_left_by_one_soft_reset(kit):
    unit = kit.FakeUnit(mishap=lambda verb, frames: frames if b"\x04" in unit.written else [b">>> "])
    assert talk_to(unit).hello().unit == "u01"
    assert unit.written.count(b"\x04") == 1


def test_a_prompt_that_stays_is_an_error(kit):
    unit = kit.FakeUnit(mishap=lambda verb, frames: [b"\r\n>>> "])
    with pytest.raises(UnitError, match="prompt came instead of a unit, also after a soft reset"):
        talk_to(unit).hello()
    assert unit.written.count(b"\x04") == 1


def test_the_interrupt_character_is_never_sent(kit):
    unit = kit.FakeUnit({1: LOG})
    session = talk_to(unit)
    session.hello(), session.segments(), list(session.read_segment(1)), session.exchange(), session.set("unit", "u\x03")
    assert b"\x03" not in unit.written


def test_a_refusal_is_told_in_the_unit_s_words(kit):
    unit = kit.FakeUnit()
    unit.refused["set"] = 2, b"rate_hz is 100 or 200, not 3"
    with pytest.raises(UnitError, match=r"refused 'set' \(code 2\): rate_hz is 100 or 200, not 3"):
        talk_to(unit).set("rate_hz", 3)


def test_a_value_too_long_for_a_request_is_an_error_of_the_unit_s_kind(kit):
    with pytest.raises(UnitError, match="a line holds 120"):
        talk_to(kit.FakeUnit()).set("calibration", "x" * 200)


def test_an_exchange_holds_four_stamps_in_order(kit):
    exchange = talk_to(kit.FakeUnit()).exchange()
    assert exchange.t1_utc_us - 1_800_000_000_000_000 <= exchange.t2_us < exchange.t3_us
    assert exchange.t3_us - 10 <= exchange.t4_utc_us - 1_800_000_000_000_000
    assert (exchange.serial, exchange.log, exchange.boot) == ("e661", "9f3a01c2", 3)


def test_after_a_reboot_the_exchange_belongs_to_the_new_boot(kit):
    unit = kit.FakeUnit()
    session = talk_to(unit)
    session.hello()
    unit.boot = 4
    assert session.exchange().boot == 4


def test_another_unit_on_the_same_line_is_noticed(kit):
    unit = kit.FakeUnit()
    session = talk_to(unit)
    session.hello()
    unit.boot, unit.serial = 4, "ffff"
    with pytest.raises(UnitError, match="unit ffff with log 9f3a01c2 answers where e661"):
        session.exchange()


def test_tags_go_round(kit):
    unit = kit.FakeUnit()
    session = talk_to(unit)
    for _ in range(300):
        assert session.status() == {"flight": 7, "still": None}


def test_an_empty_log_is_no_segments(kit):
    assert talk_to(kit.FakeUnit()).segments() == ()


def test_segments_are_listed_with_their_state(kit):
    entries = talk_to(kit.FakeUnit({1: b"ab", 2: b"c"})).segments()
    assert [SegmentEntry(0, e.number, e.length, e.closed) for e in entries] == [
        SegmentEntry(0, 1, 2, closed=True), SegmentEntry(0, 2, 1, closed=False)]  # fmt: skip


def test_requests_are_lines_that_a_person_could_type():
    assert encode_request(1, "read", 3, 0, 8192).startswith(b"~1 read 3 0 8192*")
