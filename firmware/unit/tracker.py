"""Feeds new samples to the attitude filter and remembers what the attitude was a moment ago.

A press is stamped in an interrupt and confirmed a few milliseconds later; by then the filter may or may not have passed it.
"""

import struct
from array import array
from micropython import const
from time import ticks_diff

from unit.attitude import Attitude, level

_REMEMBERED = const(128)
_NEAR_US = const(250000)
_LONGEST_STEP_US = const(10000000)
_UNKNOWN = (0.0, 0.0, 0.0, 0.0)


class Moment:
    """What the unit knew of its attitude at one sample."""

    def __init__(self, q, offset_rad_s, still_us, run):
        self.q = q
        self.offset_rad_s = offset_rad_s
        self.still_us = still_us
        self.run = run


class Tracker:
    def __init__(self, sampler, scale, clock, rate_hz):
        self._sampler = sampler
        self._clock = clock
        self._rate_hz = rate_hz
        self.scale = scale
        self.attitude = Attitude(scale, rate_hz)
        self.passed = 0  # number of the next sample to be taken
        self.counts = (0, 0, 0, 0, 0, 0)
        self._ticks = array("i", bytes(4 * _REMEMBERED))
        self._q = array("f", bytes(16 * _REMEMBERED))
        self._known = 0

    def scale_changed(self, scale):
        """Another sensor than the one before: the old attitude means nothing to it."""
        run = self.attitude.run
        self.scale = scale
        self.attitude = Attitude(scale, self._rate_hz)
        self.attitude.run = run

    def drain(self, most):
        """Take up to so many new samples; say whether there were any."""
        sampler = self._sampler
        self.passed = max(self.passed, sampler.oldest)
        end = min(sampler.count, self.passed + most)
        if end == self.passed:
            return False
        while self.passed < end:
            self._take(self.passed)
            self.passed += 1
        return True

    def _take(self, number):
        ticks = self._sampler.ticks(number)
        self.counts = struct.unpack("<hhhhhh", self._sampler.sample(number))
        step_us = 0
        if self._known:
            step_us = ticks_diff(ticks, self._ticks[(self._known - 1) % _REMEMBERED])
        if not 0 <= step_us < _LONGEST_STEP_US:
            step_us = _LONGEST_STEP_US  # after so long the difference of two tick counts means nothing
        self.attitude.update(self.counts, step_us * 1e-6, self._clock.at_us(ticks))
        slot = self._known % _REMEMBERED
        self._ticks[slot] = ticks
        q = self.attitude.q or _UNKNOWN
        for i in (0, 1, 2, 3):
            self._q[4 * slot + i] = q[i]
        self._known += 1

    def reached(self, ticks):
        """Whether the filter has passed a tick count, so that moment_at() is final."""
        return self._known > 0 and ticks_diff(self._ticks[(self._known - 1) % _REMEMBERED], ticks) >= 0

    def moment_at(self, ticks):
        """What is known of the attitude at the sample nearest to a tick count; a zero quaternion where no sample is near."""
        nearest_us = _NEAR_US
        q = _UNKNOWN
        for number in range(max(0, self._known - _REMEMBERED), self._known):
            slot = number % _REMEMBERED
            apart_us = abs(ticks_diff(self._ticks[slot], ticks))
            if apart_us < nearest_us:
                nearest_us = apart_us
                q = tuple(self._q[4 * slot : 4 * slot + 4])
        still = self.attitude.still
        return Moment(q, still.offset_rad_s, still.renewed_us, self.attitude.run)

    def line_of_sight(self):
        """The sighting tube's direction in level axes, and whether the tube leans back over the zenith; None before a sample."""
        q = self.attitude.q
        if q is None:
            return None
        return level(q, self.scale.tube_body), level(q, (0.0, 0.0, 1.0))[2] < 0.0
