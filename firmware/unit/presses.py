"""Presses between their edge and their place in the log: attitude caught, window awaited, records written one a turn.

A record needs erased flash, and while flash is erased no edge is stamped: so nothing is written while another press is likely.
"""

from micropython import const
from time import ticks_add, ticks_diff

from unit import records
from unit.as5600 import UNKNOWN

_MARGIN_US = const(20000)  # the sample after the window must have had its chance
_CALM_US = const(3000000)  # who corrects a press does so sooner; who turns to the reference target takes longer
_LONGEST_WAIT_US = const(10000000)  # a press that is not written yet does not survive a power cut
_WRITING_US = const(2000000)  # before the ring comes round to its window, a press must be begun
_TRIES = const(3)


class Press:
    def __init__(self, kind, source, flight, ticks, t_us):
        self.kind = kind
        self.source = source
        self.flight = flight
        self.ticks = ticks
        self.t_us = t_us
        self.before_us = 0
        self.after_us = 0
        self.latest_us = 0  # it is not put off beyond this
        self.moment = None
        self.tries = 0
        self.bare = False  # written without its window


class Presses:
    def __init__(self, store, sampler, tracker, clock):
        self._store = store
        self._sampler = sampler
        self._tracker = tracker
        self._clock = clock
        self._pending = []
        self._writing = None
        self._calm_us = 0  # when no press is likely any more
        self.count = 0
        self.failed = 0  # given up: the flash refused them

    @property
    def unsaved(self):
        return len(self._pending) + self.failed

    @property
    def waiting(self):
        return bool(self._pending)

    @property
    def writing(self):
        """True between the first and the last record of a press, when nothing else may be written."""
        return self._writing is not None

    def add(self, press, before_ms, after_ms):
        press.before_us = before_ms * 1000
        press.after_us = after_ms * 1000
        press.latest_us = press.t_us + min(_LONGEST_WAIT_US, self._sampler.span_us - press.before_us - _WRITING_US)
        if press.source == records.FROM_BUTTON:
            self._calm_us = press.t_us + _CALM_US
        self._pending.append(press)
        self.count += 1

    def catch_attitudes(self):
        """Note the attitude of every press that the filter has passed."""
        for press in self._pending:
            if press.moment is None and self._tracker.reached(press.ticks):
                press.moment = self._tracker.moment_at(press.ticks)

    @property
    def due(self):
        """True when a record of the oldest press is the next to be written: its window is whole, and no press is likely or it cannot wait."""
        return self.waiting and self.wait_us == 0

    @property
    def wait_us(self):
        """How long it takes until the oldest press is due."""
        if not self._pending:
            return 0
        press = self._pending[0]
        due_us = max(press.t_us + press.after_us + _MARGIN_US, min(self._calm_us, press.latest_us))
        return max(0, due_us - self._clock.now_us())

    def write(self, temperature):
        """Write one more record of the oldest press; the press when it was the last and the flash has them all, else None."""
        if self._writing is None:
            self._writing = self._records(self._pending[0], temperature)
        try:
            next(self._writing)
            return None
        except StopIteration:
            self._writing = None
            return self._pending.pop(0)
        except OSError:
            self._writing = None
            self._give_up_in_time()
            raise

    def _give_up_in_time(self):
        press = self._pending[0]
        press.tries += 1
        if press.tries == _TRIES:
            self._pending.pop(0)
            self.failed += 1

    def _records(self, press, temperature):
        if press.moment is None:
            press.moment = self._tracker.moment_at(press.ticks)
        sampler = self._sampler
        number, after = sampler.between(ticks_add(press.ticks, -press.before_us), ticks_add(press.ticks, press.after_us))
        total = after - number
        length = total * 17 + 256
        # A flash that is full, or refused a window before, still has a place for the press itself: that is what counts.
        if press.tries or self._store.room() < length:
            total = 0
            press.bare = True
        self._store.reserve(length)
        payload = records.press(press.kind, press.source, press.flight, press.t_us, self._store.boot, press.moment, temperature)
        sequence = self._store.append(records.PRESS, payload)
        yield
        angle = sampler.angle_at(press.ticks)
        if angle != UNKNOWN:
            self._store.append(records.AXIS, records.axis(sequence, angle))
            yield
        first = 0
        while first < total:
            count = min(records.SAMPLES_IN_RECORD, total - first)
            if number + first < sampler.oldest:
                break  # the ring has come round: what is written so far stands, `total` tells what is missing
            samples = [
                (ticks_diff(sampler.ticks(n), press.ticks), sampler.sample(n)) for n in range(number + first, number + first + count)
            ]
            self._store.append(records.WINDOW, records.window(sequence, first, total, temperature, samples))
            first += count
            yield
        self._store.flush()
