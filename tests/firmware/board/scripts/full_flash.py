"""A flash that fills up: warned in time, nothing overwritten, presses recorded to the last (MicroPython, on a flash of 128 kB)."""

import json
import os
from binascii import crc32

import desk
import flash
import machine
import power
from unit import feedback, records
from unit.segment import records_of

BLOCKS = 32
CHIP = flash.Flash(BLOCKS)
S = 1_000_000


def on(chip):
    """A unit that has just been switched on, and what it plays from now on."""
    app = power.boot(chip)
    played = []
    play = app.feedback.play

    def playing(pattern):
        played.append(pattern)
        play(pattern)

    app.feedback.play = playing
    return app, played


def mark(app):
    """One mark by command, and the time that it takes; errors are reported as in the loop."""
    power.granted(app, "press mark")
    for _ in range(1500):
        try:
            if not app.turn():
                machine.advance(1000)
        except OSError as error:
            app._report(error)


def marks(app):
    """{sequence: samples in its window} of every mark in the log."""
    found = {}
    for number in app.store.numbers():
        for kind, sequence, payload in records_of(app.store.path(number)):
            if kind == records.PRESS:
                found[sequence] = 0
            elif kind == records.WINDOW:
                found[int.from_bytes(payload[:4], "little")] += payload[8]
    return found


def full(chip):
    """Press until the flash has no place for a window; gives the unit and what it said of the flights left before each press."""
    app, played = on(chip)
    desk.spend(app, 4 * S, 10_000)
    left = []
    while not left or left[-1]:
        left.append(json.loads(power.ask(app, "status")[0][2])["flights_left"])
        played.clear()
        mark(app)
        assert app.presses.unsaved == 0
    return app, played, left


def test_1_the_flights_left_are_counted_down_and_few_are_told():
    app, played, left = full(CHIP)
    assert left[0] > 5 and left[-1] == 0 and all(a >= b for a, b in zip(left, left[1:])), left
    assert feedback.SAVED + feedback.FEW_LEFT in played
    app.stop()
    app, played = on(CHIP)
    app.turn = raising(KeyboardInterrupt)
    desk.raises(KeyboardInterrupt, app.run)
    assert played[0] == feedback.READY + feedback.FEW_LEFT


def raising(error):
    def turn():
        raise error

    return turn


def test_2_a_press_without_room_for_its_window_is_kept_alone():
    app, played = on(CHIP)
    desk.spend(app, 4 * S, 10_000)
    before = marks(app)
    while app.store.room() > 8000:
        mark(app)
    mark(app)
    mark(app)
    assert marks(app)[max(marks(app))] == 0 and feedback.SAVED + feedback.FEW_LEFT == played[-1]
    assert "no window" in json.loads(power.ask(app, "status")[0][2])["last_error"]
    assert all(marks(app)[sequence] == samples for sequence, samples in before.items())
    app.stop()


def test_3_a_full_flash_loses_nothing_keeps_its_name_and_says_trouble():
    app, played = on(CHIP)
    log, boot = app.store.log, app.store.boot
    saved = marks(app)
    refused = ()
    for _ in range(40):  # each restart takes a block of the reserve
        app.stop()
        app, played = on(CHIP)
        assert app.store.log == log and app.store.boot > boot
        boot = app.store.boot
        before = len(marks(app))
        mark(app)
        now = marks(app)
        assert all(now[sequence] == samples for sequence, samples in saved.items())
        if feedback.TROUBLE in played:
            refused = (before, len(now), app.presses.failed, played)
            break
        assert len(now) == before + 1
        saved = now
    assert refused and refused[0] == refused[1] and refused[2] == 1, refused
    assert all(pattern[0] != feedback.SAVED[0] for pattern in refused[3])
    app.stop()


def test_4_forgetting_makes_room_again_and_the_name_stays():
    app, _ = on(CHIP)
    log, boot = app.store.log, app.store.boot
    refused = 0
    for number in app.store.numbers():
        with open(app.store.path(number), "rb") as file:
            content = file.read()
        (kind, _, payload), = power.ask(app, "forget %d %d %08X" % (number, len(content), crc32(content)))
        refused += kind == 0x4E and payload[0] == 4
    assert refused == 1, os.listdir("log")
    desk.spend(app, 4 * S, 10_000)
    mark(app)
    assert marks(app)[max(marks(app))] in (400, 401)
    app.stop()
    app, _ = on(CHIP)
    assert app.store.log == log and app.store.boot > boot
    app.stop()


desk.run(globals())
