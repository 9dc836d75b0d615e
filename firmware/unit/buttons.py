"""A button's edges are stamped in the interrupt; the main loop only decides whether they were a press.

The stamp of a press is its first edge after quiet. Contacts bounce for a few milliseconds: edges that follow one another within the
dead time belong together, and what counts is the level after them. While the flash is erased no interrupt runs: a press that begins
and ends meanwhile leaves one edge at the end, with the level up.
"""

from array import array
from machine import Pin
from micropython import const
from time import ticks_diff, ticks_us

_EDGES = const(64)
_DEAD_US = const(20000)  # four times the longest bounce usual in small switches
_SHORTEST_US = const(5000)  # nobody presses for less; a spark or a long wire does
_HOLD_US = const(1500000)

PRESS = const(1)
GLITCH = const(2)
HOLD = const(3)


class Button:
    def __init__(self, pin_number):
        self._pin = Pin(pin_number, Pin.IN, Pin.PULL_UP)
        self._ticks = array("i", bytes(4 * _EDGES))
        self._levels = bytearray(_EDGES)
        self._stamped = 0  # edges since boot, written by the interrupt
        self._seen = 0  # edges since boot, written by the main loop
        self.dropped = 0
        self._active = False  # from the first edge until the level is up again and quiet
        self._reported = False
        self._held = False
        self._first = 0
        self._last = 0
        self._level = 1
        self._deaf_from = self._deaf_to = self._first  # the last time in which interrupts may have been off for as long as a press
        self._pin.irq(handler=self.edge, trigger=Pin.IRQ_FALLING | Pin.IRQ_RISING, hard=True)

    @property
    def stuck(self):
        return self._pin.value() == 0

    def edge(self, _pin):
        """Stamp one edge. Called by the pin: allocates nothing, never raises."""
        now = ticks_us()
        if self._stamped - self._seen >= _EDGES:
            self.dropped += 1  # of a train that fills the queue the first edges and the very last matter
        else:
            self._stamped += 1
        slot = (self._stamped - 1) % _EDGES
        self._ticks[slot] = now  # type: ignore[call-overload]  # ticks are whole numbers
        self._levels[slot] = self._pin.value()

    @property
    def unsettled(self):
        """True while edges may yet turn out to be a press."""
        return self._stamped != self._seen or (self._active and not self._reported)

    def stop(self):
        self._pin.irq(handler=None)

    def was_deaf(self, start, end):
        """Between two tick counts the flash was written to, and edges may have had to wait."""
        if ticks_diff(end, start) >= _SHORTEST_US:
            self._deaf_from = start
            self._deaf_to = end

    def poll(self):
        """Events since the last call: a list of (PRESS, GLITCH or HOLD, tick count of the first edge)."""
        events = []
        while self._seen != self._stamped:
            slot = self._seen % _EDGES
            ticks = self._ticks[slot]
            self._settle(ticks, events)
            if not self._active:
                self._begin(ticks)
            self._level = self._levels[slot]
            self._last = ticks
            self._seen += 1
        now = ticks_us()
        if self._active and ticks_diff(now, self._last) >= _SHORTEST_US:
            self._level = self._pin.value()  # an edge stamped late may have read the level of the next one
        self._settle(now, events)
        return events

    def _begin(self, ticks):
        self._active = True
        self._reported = False
        self._held = False
        self._first = ticks

    def _settle(self, now, events):
        if not self._active:
            return
        if self._level == 0:
            self._while_down(ticks_diff(now, self._first), events)
        elif ticks_diff(now, self._last) >= _DEAD_US:
            lasted_us = ticks_diff(self._last, self._first)
            if ticks_diff(self._first, self._deaf_from) > 0 and ticks_diff(self._deaf_to, self._first) >= 0:
                lasted_us = max(lasted_us, _SHORTEST_US)  # nobody knows how long; a spark just then is less likely than a finger
            if lasted_us < _SHORTEST_US and not self._reported:
                events.append((GLITCH, self._first))
            else:
                self._while_down(lasted_us, events)
            self._active = False

    def _while_down(self, lasted_us, events):
        if lasted_us >= _SHORTEST_US and not self._reported:
            self._reported = True
            events.append((PRESS, self._first))
        if lasted_us >= _HOLD_US and not self._held:
            self._held = True
            events.append((HOLD, self._first))
