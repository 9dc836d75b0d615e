"""The whole unit on a desk: presses to records, every verb, and everything that can go wrong (MicroPython)."""

import json
import os
import struct
from binascii import b2a_base64, crc32
from math import atan2

import desk
import machine
import time
from unit import commands, records
from unit.app import App
from unit.segment import records_of

S = 1_000_000
MARK, REFERENCE = 14, 15


def fresh(config=None, keep_log=False):
    """A unit that has just been switched on."""
    if not keep_log:
        for name in os.listdir():
            if name == "log":
                for segment in os.listdir("log"):
                    os.remove("log/" + segment)
            elif name.startswith("config"):
                os.remove(name)
    if config:
        with open("config.json", "w") as file:
            json.dump(config, file)
    machine.Timer.all.clear()
    machine.I2C.broken = False
    machine.I2C.parts = {0x68: machine.mpu()}
    desk.rest()
    return App()


def ask(app, line, tag=7):
    return desk.bodies(commands.answer(app, tag, line.split(" "), app.clock.now_us()))


def told(app, line):
    (kind, tag, payload), = ask(app, line)
    assert kind == 0x48 and tag == 7 and len(payload) <= 512
    return json.loads(payload)


def refused(app, line):
    (kind, _, payload), = ask(app, line)
    assert kind == 0x4E, (kind, payload)
    return payload[0], payload[1:].decode()


def push(app, pin, hold_us=100_000):
    """Press a button for a time while the unit works; the time of the edge on the unit's clock."""
    edge_us = app.clock.now_us()
    machine.Pin.all[pin].move(0)
    desk.spend(app, hold_us)
    machine.Pin.all[pin].move(1)
    return edge_us


def logged(app, kind=None):
    app.store.flush()
    found = [r for number in app.store.numbers() for r in records_of(app.store.path(number))]
    return [r for r in found if kind in (None, r[0])]


def presses(app):
    return [struct.unpack("<BBHqIfffffffqhH", payload) for _, _, payload in logged(app, records.PRESS)]


def windows(app):
    """For each press sequence the list of (first, total, samples)."""
    found = {}
    for _, _, payload in logged(app, records.WINDOW):
        press, first, total, count, _, _ = struct.unpack("<IHHBBh", payload[:12])
        samples = [struct.unpack("<ihhhhhh", payload[12 + 16 * i : 28 + 16 * i]) for i in range(count)]
        assert len(payload) == 12 + 16 * count
        found.setdefault(press, []).append((first, total, samples))
    return found


def test_hello_says_who_it_is():
    app = fresh({"unit": "u01"})
    said = told(app, "hello")
    assert said["level"] == 1 and said["unit"] == "u01" and said["firmware"] == "0.1.0" and said["imu"] == "MPU-6050"
    assert said["serial"] == "e66118604b1a2c25" and said["boot"] == 1 and len(said["log"]) == 8 and said["t_us"] > 0


def test_the_boot_record_has_every_field_of_the_page():
    app = fresh({"unit": "u01", "rate_hz": 200})
    said = json.loads(logged(app, records.BOOT)[0][2])
    fields = "level boot log unit serial firmware imu rate_hz accel_lsb_per_g gyro_lsb_per_dps body_from_sensor before_ms after_ms flight calibration selftest"
    assert set(fields.split()) <= set(said)
    assert said["rate_hz"] == 200 and said["accel_lsb_per_g"] == 16384 and said["gyro_lsb_per_dps"] == 65.5


def test_a_mark_becomes_a_press_and_its_whole_window():
    app = fresh()
    desk.spend(app, 5 * S)
    edge_us = push(app, MARK)
    assert app.presses.unsaved == 1 and told(app, "status")["unsaved"] == 1
    desk.spend(app, 4 * S)
    (press,) = presses(app)
    assert press[:5] == (1, 1, 1, edge_us, 1) and press[14] == 1
    assert max(abs(a - b) for a, b in zip(press[5:9], (1, 0, 0, 0))) < 1e-5
    (parts,) = windows(app).values()
    samples = [sample for _, _, part in parts for sample in part]
    assert [first for first, _, _ in parts] == [0, 120, 240, 360] and parts[0][1] == len(samples)
    times = [sample[0] for sample in samples]
    assert -3_000_000 <= times[0] < -2_990_000 and 990_000 < times[-1] <= 1_000_000
    assert all(b - a == 10_000 for a, b in zip(times, times[1:]))
    assert all(sample[1:] == (0, 0, 16384, 0, 0, 0) for sample in samples)
    assert told(app, "status")["unsaved"] == 0 and told(app, "status")["presses"] == 1


def test_a_press_with_a_window_follows_it_without_other_records():
    app = fresh()
    desk.spend(app, 4 * S)
    push(app, MARK)
    desk.spend(app, 4 * S)
    kinds = [kind for kind, _, _ in logged(app)]
    at = kinds.index(records.PRESS)
    assert kinds[at : at + 5] == [records.PRESS] + [records.WINDOW] * 4


def test_saved_is_told_only_after_the_flash_has_it():
    app = fresh()
    desk.spend(app, 4 * S)
    push(app, MARK)
    machine.PWM.log.clear()
    while 3000 not in machine.PWM.log:
        assert app.presses.unsaved == 1
        desk.spend(app, 1000)
    assert app.presses.unsaved == 0 and app.store.flushed == os.stat("log/00001.seg")[6]


def test_the_attitude_is_that_of_the_sample_nearest_to_the_edge():
    app = fresh()
    desk.spend(app, 3 * S)
    desk.rest(gyro=(0, 0, -5895))  # 90 deg/s clockwise
    desk.spend(app, S // 2)
    push(app, MARK)
    desk.spend(app, 4 * S)
    press = presses(app)[0]
    w, x, y, z = press[5:9]
    turned_deg = -2 * 57.29578 * atan2(z, w)
    # 0.5 s at 90 deg/s; the trapezoid halves the first step, the nearest sample is at most half a period off.
    assert abs(turned_deg - 45) < 0.5 + 0.46, turned_deg


def test_a_double_press_gives_two_presses_with_overlapping_windows():
    app = fresh()
    desk.spend(app, 4 * S)
    first_us = push(app, MARK)
    desk.spend(app, 200_000)
    second_us = push(app, MARK)
    desk.spend(app, 3 * S)
    assert [press[3] for press in presses(app)] == [first_us, second_us]
    lengths = [sum(len(part) for _, _, part in parts) for parts in windows(app).values()]
    assert len(lengths) == 2 and all(length in (400, 401) for length in lengths), lengths


def test_nothing_is_written_within_three_seconds_of_a_press():
    app = fresh()
    desk.spend(app, 4 * S)
    wrote = watched(app)
    push(app, MARK)
    desk.spend(app, 2 * S)
    last_us = push(app, REFERENCE)
    desk.spend(app, 4 * S)
    assert len(wrote) == 8 and wrote[0] - last_us >= 3 * S and wrote[-1] - last_us < 3 * S + 100_000, wrote
    assert len(presses(app)) == 2


def test_a_press_between_the_records_of_another_makes_the_rest_wait():
    app = fresh()
    desk.spend(app, 4 * S)
    wrote = watched(app)
    push(app, MARK)
    while len(wrote) < 2:
        app.turn() or machine.advance(1000)
    last_us = push(app, MARK)
    desk.spend(app, 4 * S)
    assert [at_us >= last_us + 3 * S for at_us in wrote] == [False] * 2 + [True] * 8, wrote
    assert [len(parts) for parts in windows(app).values()] == [4, 4] and app.presses.unsaved == 0


def test_presses_without_end_are_put_off_for_ten_seconds_at_most():
    app = fresh()
    desk.spend(app, 4 * S)
    wrote = watched(app)
    first_us = push(app, MARK)
    for _ in range(8):
        desk.spend(app, 2 * S)
        push(app, MARK)
    assert 10 * S <= wrote[0] - first_us < 10 * S + 200_000, wrote[0] - first_us
    desk.spend(app, 4 * S)
    lengths = [sum(len(part) for _, _, part in parts) for parts in windows(app).values()]
    assert len(lengths) == 9 and min(lengths) >= 400


def test_a_window_that_fills_the_ring_is_written_at_once_and_whole():
    app = fresh({"before_ms": 19_000, "after_ms": 1_000})
    desk.spend(app, 22 * S, 5000)
    wrote = watched(app)
    edge_us = push(app, MARK)
    desk.spend(app, 2 * S)
    assert S <= wrote[0] - edge_us < S + 100_000 and app.presses.unsaved == 0
    (parts,) = windows(app).values()
    assert sum(len(part) for _, _, part in parts) == parts[0][1] >= 2000


def watched(app):
    """The times at which the unit writes a record from now on."""
    whole = app.store.append
    times = []

    def append(kind, payload):
        times.append(app.clock.now_us())
        return whole(kind, payload)

    app.store.append = append
    return times


def test_a_press_that_an_erase_swallowed_is_still_a_press():
    app = fresh()
    desk.spend(app, 4 * S)
    push(app, MARK)
    whole = app.store.append
    pin = machine.Pin.all[MARK]

    def erasing(kind, payload):
        """No interrupt for 45 ms; then the pin's, once: it was down and is up again."""
        app.store.append = whole
        time.now.us += 45_000
        pin.move(1)
        return whole(kind, payload)

    app.store.append = erasing
    desk.spend(app, 8 * S)
    first, second = presses(app)
    assert 3 * S < second[3] - first[3] < 3 * S + 100_000 and app.presses.unsaved == 0
    assert b"shorter than a press" not in b"".join(payload for _, _, payload in logged(app, records.NOTE))


def test_presses_and_samples_go_on_while_the_loop_is_blocked():
    app = fresh()
    desk.spend(app, 4 * S)
    edge_us = app.clock.now_us() + 700_000
    machine.advance(700_000)
    machine.Pin.all[MARK].move(0)
    machine.advance(80_000)
    machine.Pin.all[MARK].move(1)
    machine.advance(900_000)
    desk.spend(app, 4 * S)
    assert [press[3] for press in presses(app)] == [edge_us]
    (parts,) = windows(app).values()
    assert parts[0][1] in (400, 401) and told(app, "status")["lost"] == 0
    assert presses(app)[0][14] == 1  # the heading was not lost: the ring held the samples until the loop came


def test_windows_are_whole_across_the_wrap_of_the_ticks():
    time.now.us = (1 << 30) - 8 * S
    app = fresh()
    desk.spend(app, 7 * S)
    while time.now.us < (1 << 30) - 500_000:
        desk.spend(app, 1000)
    push(app, MARK)
    desk.spend(app, 3 * S)
    (parts,) = windows(app).values()
    times = [sample[0] for _, _, part in parts for sample in part]
    assert len(times) in (400, 401) and all(b - a == 10_000 for a, b in zip(times, times[1:]))
    assert time.now.us > 1 << 30


def test_the_flight_number_follows_the_rules_of_the_page():
    app = fresh()
    numbers = []
    for pin in (REFERENCE, MARK, REFERENCE, REFERENCE, MARK, MARK, REFERENCE):
        push(app, pin)
        desk.spend(app, 2 * S)
        numbers.append(app.store.flight)
    assert numbers == [1, 1, 2, 2, 2, 2, 3]
    desk.spend(app, 2 * S)
    assert [press[2] for press in presses(app)] == numbers
    push(app, REFERENCE, 1_600_000)
    desk.spend(app, 4 * S)
    assert app.store.flight == 4
    changes = [struct.unpack("<qHHB", payload)[1:] for _, _, payload in logged(app, records.FLIGHT)]
    assert changes == [(1, 2, 1), (2, 3, 1), (3, 4, 2)]


def test_the_number_and_an_open_mark_survive_a_restart():
    app = fresh()
    assert ask(app, "flight 12") == [(0x45, 7, b"\0\0\0\0")]
    push(app, MARK)
    desk.spend(app, 3 * S)
    app.stop()
    again = fresh(keep_log=True)
    assert again.store.flight == 12 and again.store.boot == 2
    push(again, REFERENCE)
    assert again.store.flight == 13


def test_the_clock_answers_with_both_stamps():
    app = fresh()
    read_us = app.clock.now_us()
    frames = commands.answer(app, 9, ["clock"], read_us)
    machine.advance(12_345)
    (kind, tag, payload), = desk.bodies(frames)
    assert (kind, tag) == (0x43, 9)
    assert struct.unpack("<qqI", payload) == (read_us, read_us + 12_345, 1)


def test_status_has_every_field_of_the_page():
    app = fresh()
    desk.spend(app, 2 * S)
    said = told(app, "status")
    fields = "t_us flight presses elevation_mdeg heading_mdeg axis_mdeg still still_ms temperature_cdeg supply_mv gyro_offset_mdps samples lost worst_gap_us free_bytes flights_left unsaved selftest last_error"
    assert set(said) == set(fields.split())
    assert said["still"] and said["temperature_cdeg"] == 3653 and abs(said["elevation_mdeg"]) < 10
    assert all(state == "ok" for _, state, _ in said["selftest"])


def encoder(angle, status=0x20):
    """Put an encoder beside the sensor."""
    part = machine.I2C.parts.setdefault(0x36, machine.magnet())
    part.registers[0x0B:0x0E] = bytes((status, angle >> 8, angle & 0xFF))


def axes(app):
    """The angles of all axis records, and whether each stands straight behind its press."""
    log = list(records_of("log/%05d.seg" % app.store.number))
    found = [(i, struct.unpack("<IH", payload)) for i, (kind, _, payload) in enumerate(log) if kind == 7]
    return [angle for _, (_, angle) in found], all(log[i - 1][:2] == (2, press) for i, (press, _) in found)


def test_a_press_carries_the_angle_that_the_axis_had_at_its_edge():
    fresh()
    encoder(1024)
    app = App()
    desk.spend(app, 2 * S)
    assert told(app, "status")["axis_mdeg"] == 90_000
    assert ["encoder", "ok", "AS5600"] in app.selftest
    machine.Pin.all[MARK].move(0)
    machine.advance(8_000)
    encoder(2000)  # turned on before the loop comes round
    machine.advance(80_000)
    machine.Pin.all[MARK].move(1)
    desk.spend(app, 3 * S)
    assert axes(app) == ([1024], True) and told(app, "status")["axis_mdeg"] == 2000 * 360_000 // 4096


def test_an_encoder_that_is_missing_or_silent_costs_the_axis_record_and_nothing_else():
    app = fresh()
    desk.spend(app, 2 * S)
    assert told(app, "status")["axis_mdeg"] is None and "encoder" not in [line[0] for line in app.selftest]
    encoder(1024, status=0)
    app = App()
    assert ["encoder", "bad", "no magnet in reach of it"] in app.selftest
    encoder(1024)
    desk.spend(app, S)
    del machine.I2C.parts[0x36]  # its wire comes off
    desk.spend(app, S)
    push(app, MARK)
    desk.spend(app, 3 * S)
    said = told(app, "status")
    assert said["axis_mdeg"] is None and said["presses"] == 1 and said["lost"] == 0 and app.last_error == ""
    assert axes(app) == ([], True)


def test_elevation_in_the_status_goes_over_the_zenith():
    app = fresh()
    machine.I2C.parts[0x68].registers[0x3B:0x41] = struct.pack(">hhh", 16069, 0, 3195)  # asin(16069 / 16384) is 78.755 degrees
    desk.spend(app, S)
    assert abs(told(app, "status")["elevation_mdeg"] - 78_755) < 20
    machine.I2C.parts[0x68].registers[0x3B:0x41] = struct.pack(">hhh", 16069, 0, -3195)
    desk.spend(app, 20 * S)
    assert abs(told(app, "status")["elevation_mdeg"] - 101_245) < 100


def test_segments_and_read_give_the_file_to_the_byte():
    app = fresh()
    desk.spend(app, 4 * S)
    push(app, MARK)
    desk.spend(app, 3 * S)
    *segments, end = ask(app, "segments")
    assert end == (0x45, 7, struct.pack("<I", 1))
    number, length, closed = struct.unpack("<IIB", segments[0][2])
    with open("log/00001.seg", "rb") as file:
        content = file.read()
    assert (number, length, closed) == (1, len(content), 0)
    got = b""
    while len(got) < length:
        *pieces, end = ask(app, "read 1 %d 1500" % len(got))
        assert struct.unpack("<I", end[2])[0] == len(pieces) == 3 or len(got) + 1500 > length
        for kind, _, payload in pieces:
            assert kind == 0x44 and struct.unpack("<II", payload[:8]) == (1, len(got)) and len(payload) <= 512
            got += payload[8:]
    assert got == content
    assert ask(app, "read 1 %d 100" % length) == [(0x45, 7, b"\0\0\0\0")]


def test_a_closed_segment_is_forgotten_only_with_its_length_and_check():
    fresh().stop()
    app = fresh(keep_log=True)
    with open("log/00001.seg", "rb") as file:
        content = file.read()
    crc = crc32(content)
    assert refused(app, "forget 1 %d %08X" % (len(content) - 1, crc))[0] == 5
    assert refused(app, "forget 1 %d %08X" % (len(content), crc ^ 1))[0] == 5
    assert refused(app, "forget 2 %d %08X" % (len(content), crc))[0] == 4
    assert refused(app, "forget 9 1 00000000")[0] == 3
    assert ask(app, "forget 1 %d %08X" % (len(content), crc)) == [(0x45, 7, b"\0\0\0\0")]
    assert app.store.numbers() == [2]


def test_bad_requests_are_refused_with_what_was_expected():
    app = fresh()
    for line, code, word in (
        ("fly", 1, "hello"),
        ("hello you", 2, "expected"),
        ("read 1", 2, "SEGMENT OFFSET LENGTH"),
        ("read 1 0 8193", 2, "8192"),
        ("read x 0 1", 2, "whole number"),
        ("read 2 0 1", 3, "no segment 2"),
        ("read 1 999999 1", 3, "beyond"),
        ("forget 1 1 xyz", 2, "hexadecimal"),
        ("flight 0", 2, "1 to 9999"),
        ("flight 10000", 2, "1 to 9999"),
        ("press apex", 2, "mark or reference"),
        ("set before_ms x", 2, "JSON"),
        ("set before_ms -1", 2, "0 to 20000"),
        ("set speed 1", 2, "no setting"),
    ):
        found = refused(app, line)
        assert found[0] == code and word in found[1], (line, found)


def test_a_press_by_command_says_so():
    app = fresh()
    desk.spend(app, S)
    for kind in ("mark", "reference"):
        assert ask(app, "press " + kind) == [(0x45, 7, b"\0\0\0\0")]
        desk.spend(app, 2 * S)
    assert [press[:3] for press in presses(app)] == [(1, 2, 1), (2, 2, 2)]


def test_settings_are_kept_and_used_when_the_page_says():
    app = fresh()
    for line in ('set unit "u77"', "set before_ms 1000", "set after_ms 500", "set rate_hz 200"):
        assert ask(app, line) == [(0x45, 7, b"\0\0\0\0")], line
    assert told(app, "hello")["unit"] == "u77" and app.active["before_ms"] == 1000 and app.active["rate_hz"] == 100
    assert told(app, "config")["rate_hz"] == 200
    app.stop()
    again = fresh(told(app, "config"), keep_log=True)
    assert again.active["rate_hz"] == 200 and again.active["after_ms"] == 500


def test_nothing_is_erased_while_a_press_is_pending():
    app = fresh()
    desk.spend(app, S)
    push(app, MARK, 20_000)
    for line in ('set unit "x"', "flight 3", "forget 1 1 00000000"):
        assert refused(app, line) == (4, "a press is being recorded; ask again in 3 s")
    desk.spend(app, 3 * S)
    assert ask(app, "flight 3")[0][0] == 0x45


def test_locate_blinks_and_beeps():
    app = fresh()
    desk.spend(app, S)
    machine.PWM.log.clear()
    ask(app, "locate")
    desk.spend(app, 2_100_000)
    assert machine.PWM.log.count(2500) == 4 and machine.Pin.all["LED"].level == 0


def test_a_silent_buzzer_still_blinks():
    app = fresh({"buzzer": False})
    machine.PWM.log.clear()
    ask(app, "locate")
    desk.spend(app, 1000)
    assert machine.Pin.all["LED"].level == 1 and 2500 not in machine.PWM.log


def test_health_is_written_once_in_five_minutes_while_the_unit_moves():
    app = fresh()
    for half_second in range(620):
        desk.rest(gyro=(0, 0, 1000 * (half_second % 2)))
        desk.spend(app, S // 2, 10_000)
    assert len(logged(app, records.HEALTH)) == 1


def test_health_is_written_once_a_minute_at_rest():
    app = fresh()
    desk.spend(app, 130 * S, 10_000)
    found = logged(app, records.HEALTH)
    assert len(found) == 2
    t_us, temperature, supply_mv = struct.unpack("<qhH", found[0][2][:12])
    assert len(found[0][2]) == 33 and temperature == 3653 and 4990 <= supply_mv <= 5010


def test_a_missing_sensor_is_told_and_presses_are_still_stamped():
    fresh()
    machine.Timer.all.clear()
    machine.I2C.parts = {}
    app = App()
    assert told(app, "hello")["imu"] == "none"
    state = {name: (state, text) for name, state, text in told(app, "status")["selftest"]}
    assert state["imu"][0] == "bad" and told(app, "status")["elevation_mdeg"] is None
    edge_us = push(app, MARK)
    desk.spend(app, 4 * S)
    press = presses(app)[-1]
    assert press[3] == edge_us and press[5:9] == (0, 0, 0, 0) and press[13] == -32768
    assert windows(app) == {}
    # ... and it is found again when it comes back.
    machine.I2C.parts = {0x68: machine.mpu()}
    desk.rest()
    desk.spend(app, 7 * S)
    assert told(app, "hello")["imu"] == "MPU-6050" and told(app, "status")["samples"] > 50


def test_an_error_in_the_loop_is_logged_and_the_loop_goes_on():
    app = fresh()
    turns = []
    whole = app.feedback.poll

    def poll():
        turns.append(1)
        if len(turns) in (3, 4):
            raise RuntimeError("made for the test")
        if len(turns) > 500:
            raise KeyboardInterrupt
        whole()

    app.feedback.poll = poll
    try:
        app.run()
    except KeyboardInterrupt:
        pass
    errors = [payload for _, _, payload in logged(app, records.NOTE) if payload[8] == records.ERROR]
    assert len(turns) == 501 and len(errors) == 1  # the same error twice is one note
    assert b"Traceback" in errors[0] and b"made for the test" in errors[0] and b"unit_at_work" in errors[0]
    assert "made for the test" in told(app, "status")["last_error"]


def test_the_interrupt_character_stops_the_timer_and_closes_the_log():
    app = fresh()

    def interrupt():
        raise KeyboardInterrupt

    app.feedback.poll = interrupt
    desk.raises(KeyboardInterrupt, app.run)
    assert app.store._file is None and all(timer.callback is None for timer in machine.Timer.all)
    assert machine.Pin.all[MARK].handler is None


def test_a_flash_that_refuses_a_press_is_told_and_the_press_is_tried_again():
    app = fresh()
    desk.spend(app, 4 * S)
    whole = app.store.append
    refusals = []

    def append(kind, payload):
        if kind == records.PRESS and len(refusals) < 2:
            refusals.append(1)
            raise OSError(28)
        return whole(kind, payload)

    app.store.append = append
    push(app, MARK)
    failures = 0
    for _ in range(4000):
        try:
            desk.spend(app, 1000)
        except OSError as error:
            app._report(error)
            failures += 1
    assert failures == 2 and len(presses(app)) == 1 and app.presses.unsaved == 0


def test_the_status_fits_one_frame_even_when_everything_is_wrong():
    app = fresh()
    app.last_error = "x" * 3000
    app.selftest = [[name, "bad", "y" * 300] for name in ("settings", "arithmetic", "buttons", "imu", "log")]
    said = told(app, "status")
    assert said["last_error"].startswith("x") and len(said["selftest"]) == 5


def test_a_long_calibration_does_not_break_the_config_frame():
    matrix = [[1.0123456, 0.0123456, 0.0123456]] * 3
    calibration = {"id": "2026-05-01 u01", "accel_offset_g": [0.0123456] * 3, "accel_matrix": matrix, "gyro_matrix": matrix, "tube_body": [0.9998, 0.0123, 0.0123]}
    app = fresh({"calibration": calibration})
    assert told(app, "config")["calibration"]["id"] == "2026-05-01 u01"
    assert json.loads(logged(app, records.BOOT)[0][2])["calibration"]["accel_matrix"][0][0] == 1.0123456


def test_a_long_setting_is_put_on_in_parts_and_interrupted_ones_go_on():
    app = fresh()
    text = json.dumps({"id": "bench 7", "accel_matrix": [[1.001, 0.002, 0.003]] * 3, "note": "y" * 300}).encode()
    crc = crc32(text)
    assert told(app, "upload calibration %d %08X" % (len(text), crc)) == {"have": 0}
    part = lambda at: "part %d %s" % (at, b2a_base64(text[at : at + 60]).decode().strip())
    granted = (0x45, 7, b"\0\0\0\0")
    assert ask(app, part(0)) == [granted] and ask(app, part(60)) == [granted]
    assert ask(app, part(60)) == [granted]  # an answer was lost, the host asks again
    assert refused(app, part(180))[0] == 2 and "120 bytes are here" in refused(app, part(180))[1]
    assert refused(app, "adopt calibration %08X" % crc)[0] == 5
    assert told(app, "upload calibration %d %08X" % (len(text), crc)) == {"have": 120}
    for at in range(120, len(text), 60):
        assert ask(app, part(at)) == [granted]
    assert app.wanted["calibration"] is None
    for _ in (1, 2):
        assert ask(app, "adopt calibration %08X" % crc) == [granted]
    assert app.wanted["calibration"] == json.loads(text) and app.active["calibration"] is None
    app.stop()
    again = App()
    assert again.active["calibration"] == json.loads(text)
    assert json.loads(logged(again, records.BOOT)[-1][2])["calibration"]["id"] == "bench 7"


def test_an_upload_that_differs_or_does_not_serve_changes_nothing():
    app = fresh()
    good = b'{"tube_body":[1,0,0]}'
    for text, crc, code, word in (
        (good, crc32(good) ^ 1, 5, "CRC-32"),
        (b"[1,2", crc32(b"[1,2"), 2, "not JSON"),
        (b'{"tube_body":[1,0]}', crc32(b'{"tube_body":[1,0]}'), 2, "three numbers"),
    ):
        ask(app, "upload calibration %d %08X" % (len(text), crc))
        ask(app, "part 0 " + b2a_base64(text).decode().strip())
        found = refused(app, "adopt calibration %08X" % crc)
        assert found[0] == code and word in found[1], found
    assert refused(app, "upload calibration 2049 00000000")[0] == 2
    assert refused(app, "upload calibration 9 xyz")[0] == 2
    assert app.wanted["calibration"] is None


desk.run(globals())
