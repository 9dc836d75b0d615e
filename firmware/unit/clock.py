"""Microseconds since boot, made from a counter that wraps every 2^30 microseconds (17.9 minutes)."""

from time import ticks_diff, ticks_us


class Clock:
    def __init__(self):
        self._ticks = ticks_us()
        self._us = 0

    def now_us(self):
        """Microseconds since boot. Must be called at least every eight minutes; the main loop does so every turn."""
        ticks = ticks_us()
        self._us += ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        return self._us

    def at_us(self, ticks):
        """Microseconds since boot of a tick count taken within eight minutes of the last now_us()."""
        return self._us + ticks_diff(ticks, self._ticks)
