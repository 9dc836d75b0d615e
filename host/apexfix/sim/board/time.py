"""The board's clock, simulated; replaces the built-in module of the same name (MicroPython)."""

from simworld import TICKS_CALL_US, TICKS_MASK, world

_HALF = (TICKS_MASK + 1) >> 1


def ticks_us():
    world.spend(TICKS_CALL_US)
    return world.unit_us() & TICKS_MASK


def ticks_ms():
    world.spend(TICKS_CALL_US)
    return world.unit_us() // 1000 & TICKS_MASK


def ticks_diff(later, earlier):
    return ((later - earlier + _HALF) & TICKS_MASK) - _HALF


def ticks_add(ticks, delta):
    return (ticks + delta) & TICKS_MASK


def sleep_us(us):
    world.sleep(us)


def sleep_ms(ms):
    world.sleep(ms * 1000)
