"""Simulated clock of the stand-in board (MicroPython): it stands still unless a test moves it, and wraps at 2^30 us like the board's."""

MASK = (1 << 30) - 1
_HALF = 1 << 29


class _Now:
    us = 0


now = _Now()


def ticks_us():
    return now.us & MASK


def ticks_ms():
    return now.us // 1000 & MASK


def ticks_diff(later, earlier):
    return ((later - earlier + _HALF) & MASK) - _HALF


def ticks_add(ticks, delta):
    return (ticks + delta) & MASK


def sleep_us(us):
    import machine

    machine.advance(us)


def sleep_ms(ms):
    sleep_us(ms * 1000)
