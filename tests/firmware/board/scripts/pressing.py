"""Buttons: the stamp is the first edge; bounces, sparks and long presses (MicroPython)."""

import desk
import machine
import micropython
import time
from unit import buttons
from unit.buttons import GLITCH, HOLD, PRESS, Button

WRAP = 1 << 30


def up(start_us=1000):
    time.now.us = start_us
    return Button(14)


def edges(moves, button, poll_every_us=0):
    """Move the pin at the given times; poll the button in between, or only at the end."""
    pin = machine.Pin.all[14]
    events = []
    for at_us, level in moves:
        while poll_every_us and time.now.us + poll_every_us < at_us:
            time.now.us += poll_every_us
            events += button.poll()
        time.now.us = at_us
        pin.move(level)
    for _ in range(60):
        time.now.us += 1000
        events += button.poll()
    return events


def test_a_clean_press_is_stamped_at_its_edge():
    for poll_us in (0, 500, 3000):
        button = up()
        assert edges([(10_000, 0), (110_000, 1)], button, poll_us) == [(PRESS, 10_000)]
        assert not button.unsettled


def test_bounces_on_both_edges_make_one_press_with_the_first_stamp():
    down = [(10_000 + 300 * i, i % 2) for i in range(11)]  # 3 ms of chatter, down at the end
    release = [(150_000 + 400 * i, (i + 1) % 2) for i in range(13)]
    for poll_us in (0, 700, 5000):
        button = up()
        assert edges(down + release, button, poll_us) == [(PRESS, 10_000)]


def test_a_train_longer_than_the_queue_keeps_the_first_edge():
    button = up()
    assert edges([(10_000 + 50 * i, i % 2) for i in range(201)] + [(90_000, 1)], button)[0] == (PRESS, 10_000)
    assert button.dropped > 0


def test_a_spark_is_a_glitch_and_no_press():
    for poll_us in (0, 100, 2000):
        button = up()
        assert edges([(10_000, 0), (10_800, 1)], button, poll_us) == [(GLITCH, 10_000)]


def test_an_edge_that_had_to_wait_for_the_flash_is_a_press_however_short():
    for start_us, end_us, event in ((0, 45_000, PRESS), (0, 44_999, GLITCH), (45_000, 46_000, GLITCH), (41_000, 45_000, GLITCH)):
        button = up()
        machine.Pin.all[14].level = 0
        time.now.us = 45_000
        machine.Pin.all[14].move(1)  # down and up while no interrupt ran: one edge, with the level of the end
        button.was_deaf(start_us, end_us)
        assert edges([], button) == [(event, 45_000)], (start_us, end_us)


def test_a_short_tap_while_the_loop_is_blocked_is_a_press():
    button = up()
    assert edges([(10_000, 0), (18_000, 1)], button) == [(PRESS, 10_000)]


def test_two_presses_while_the_loop_is_blocked_are_two():
    button = up()
    assert edges([(10_000, 0), (90_000, 1), (210_000, 0), (300_000, 1)], button) == [(PRESS, 10_000), (PRESS, 210_000)]


def test_a_press_is_told_while_still_held_and_a_hold_once():
    button = up()
    machine.Pin.all[14].move(0)
    told = []
    for _ in range(2000):
        time.now.us += 1000
        told += [(time.now.us, event) for event, _ in button.poll()]
    assert [event for _, event in told] == [PRESS, HOLD]
    assert told[0][0] <= 1000 + 6000  # the answer to the finger comes within 6 ms
    assert 1000 + 1_500_000 <= told[1][0] <= 1000 + 1_502_000
    assert edges([(time.now.us + 10, 1)], button) == []


def test_a_press_across_the_wrap_keeps_its_stamp():
    button = up(WRAP - 5000)
    assert edges([(WRAP - 2000, 0), (WRAP + 100_000, 1)], button, 1000) == [(PRESS, WRAP - 2000)]


def test_edges_allocate_nothing():
    button = up(WRAP - 2_000_000)
    pin = machine.Pin.all[14]
    for number in range(4000):
        time.now.us += 1000
        micropython.heap_lock()
        try:
            pin.move(number & 1)
        finally:
            micropython.heap_unlock()
        if number % 10 == 0:
            button.poll()
    assert button.dropped == 0 and time.now.us > WRAP


def test_a_full_queue_allocates_nothing_and_never_raises():
    button = up()
    pin = machine.Pin.all[14]
    micropython.heap_lock()
    try:
        for number in range(300):
            pin.move(number & 1)
    finally:
        micropython.heap_unlock()
    assert button.dropped == 300 - 64


desk.run(globals())
