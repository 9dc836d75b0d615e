"""Clock and ring across the wrap of ticks_us at 2^30, and no allocation in the timer (MicroPython)."""

import desk
import machine
import micropython
import time
from unit import imu
from unit.as5600 import As5600
from unit.clock import Clock
from unit.sampler import Sampler

WRAP = 1 << 30
bus = machine.I2C(0, sda=machine.Pin(4), scl=machine.Pin(5), freq=400000)


def sampler(rate_hz=100, capacity=500, start_us=0, encoder=None):
    machine.Timer.all.clear()
    machine.I2C.broken = False
    time.now.us = start_us
    made = Sampler(rate_hz, capacity)
    made.start(imu.find(bus, rate_hz), encoder)
    return made


def test_the_clock_counts_on_through_several_wraps():
    time.now.us = WRAP - 1000
    clock = Clock()
    for step in range(1, 40):
        time.now.us += 100_000_000
        assert clock.now_us() == step * 100_000_000
    assert time.now.us // WRAP == 4


def test_a_stamp_from_before_the_wrap_is_placed_before_it():
    time.now.us = WRAP - 1000
    clock = Clock()
    ticks = time.ticks_us()
    time.now.us += 5000
    assert clock.now_us() == 5000
    assert clock.at_us(ticks) == 0
    assert clock.at_us(time.ticks_add(time.ticks_us(), 300)) == 5300


def test_samples_are_taken_at_the_rate():
    for rate_hz in (100, 200):
        ring = sampler(rate_hz)
        machine.advance(2_000_000)
        assert ring.count == 2 * rate_hz and ring.lost == 0 and ring.worst_gap_us == 1_000_000 // rate_hz


def test_a_window_is_exactly_the_samples_inside_it_also_across_the_wrap():
    for wrap_at_us in (0, 1_234_567, 2_500_000, 3_000_000):
        ring = sampler(start_us=WRAP - wrap_at_us)
        began = time.now.us
        stamps = []
        while time.now.us < began + 4_500_000:
            before = ring.count
            machine.advance(1000)
            if ring.count > before:
                stamps.append(time.ticks_us())
        press = began + 3_003_000
        for before_us, after_us in ((3_000, 0), (2_500_000, 1_000_000), (503_000, 497_000), (0, 0)):
            low, high = time.ticks_add(press & (WRAP - 1), -before_us), time.ticks_add(press & (WRAP - 1), after_us)
            first, after = ring.between(low, high)
            # By hand: the n-th sample (from 0) is taken somewhere in the call that ends at stamps[n].
            relative = [time.ticks_diff(ring.ticks(n), press & (WRAP - 1)) for n in range(ring.oldest, ring.count)]
            inside = [t for t in relative if -before_us <= t <= after_us]
            assert [time.ticks_diff(ring.ticks(n), press & (WRAP - 1)) for n in range(first, after)] == inside
            expected = len([n for n in range(len(stamps)) if -before_us <= (n + 1) * 10_000 + offset_us(ring, began) - 3_003_000 <= after_us])
            assert len(inside) == expected, (len(inside), expected)


def offset_us(ring, began):
    """Of the first sample from a whole period after the start: the set-up of the sensor takes time before `began`."""
    return time.ticks_diff(ring.ticks(0), time.ticks_add(began & (WRAP - 1), 10_000))


def test_the_ring_forgets_the_oldest_and_never_shows_a_slot_that_may_be_half_filled():
    ring = sampler(capacity=50)
    machine.advance(1_000_000)
    assert ring.count == 100 and ring.oldest == 51


def test_samples_keep_their_counts():
    ring = sampler()
    desk.rest((1, -2, 3), (-4, 5, -6))
    machine.advance(10_000)
    assert ring.sample(0) == b"\1\0\xfe\xff\3\0\xfc\xff\5\0\xfa\xff"


def test_the_timer_allocates_nothing_through_the_wrap():
    for encoder in (None, As5600(bus)):
        machine.I2C.parts = {0x68: machine.mpu(), 0x36: machine.magnet()}
        without_allocation(encoder)


def without_allocation(encoder):
    ring = sampler(200, 700, start_us=WRAP - 10_000_000, encoder=encoder)
    timer = machine.Timer.all[-1]
    for _ in range(4000):
        time.now.us += 5000
        micropython.heap_lock()
        try:
            timer.callback(timer)
        finally:
            micropython.heap_unlock()
    assert ring.count == 4000 and time.now.us > WRAP


def test_the_lock_would_notice_an_allocation():
    noticed = False
    micropython.heap_lock()
    try:
        bytearray(64)
    except MemoryError:
        noticed = True
    micropython.heap_unlock()
    assert noticed


def test_a_late_timer_counts_what_was_lost_without_allocating():
    ring = sampler()
    timer = machine.Timer.all[-1]
    for step_us in (10_000, 10_000, 55_000, 10_000, 14_000):
        time.now.us += step_us
        micropython.heap_lock()
        try:
            timer.callback(timer)
        finally:
            micropython.heap_unlock()
    assert ring.lost == 5 and ring.worst_gap_us == 55_000  # 55 ms: samples due at 10, 20, 30, 40, 50 ms; the last came 5 ms late


def test_a_broken_bus_does_not_raise_and_is_counted():
    ring = sampler()
    machine.advance(100_000)
    machine.I2C.broken = True
    machine.advance(100_000)
    assert ring.count == 10 and ring.failures == 10
    machine.I2C.broken = False
    machine.advance(20_000)
    assert ring.failures == 0 and ring.count == 12


def test_every_stamp_is_a_small_int_of_the_board():
    ring = sampler(start_us=WRAP - 500_000)
    machine.advance(1_000_000)
    assert all(0 <= ring.ticks(n) < WRAP for n in range(ring.count))


desk.run(globals())
