"""A timer reads the sensor into a ring of stamped raw samples, whatever the main loop is doing.

The ring holds 16 bytes a sample, taken once: a tick count of ticks_us (below 2^30, so it needs no allocation) and the twelve bytes
of a window record. Samples are named by their number since boot; the ring holds the last `capacity` of them.
"""

from array import array
from machine import Timer
from micropython import const
from time import ticks_diff, ticks_us

_SAMPLE = const(12)
_READING = const(14)
_BUS_ERRORS = (OSError, MemoryError)


class Sampler:
    def __init__(self, rate_hz, capacity):
        self.capacity = capacity
        self.count = 0  # samples since boot
        self.lost = 0  # samples that should have been taken and were not
        self.failures = 0  # readings that failed, in a row
        self.worst_gap_us = 0
        self.temperature_raw = 0  # unsigned, of the last reading
        self._period_ms = 1000 // rate_hz
        self._period_us = 1000000 // rate_hz
        self._ticks = array("i", bytes(4 * capacity))
        self._samples = bytearray(_SAMPLE * capacity)
        self._reading = bytearray(_READING)
        self._last = 0
        self._imu = None
        self._timer = Timer(-1)
        self._callback = self.take  # made once: a bound method made in an interrupt would allocate

    def start(self, imu):
        self._imu = imu
        self.failures = 0
        self._timer.init(period=self._period_ms, mode=Timer.PERIODIC, callback=self._callback)

    def stop(self):
        self._timer.deinit()

    def take(self, _timer):
        """Take one sample. Called by the timer: allocates nothing, never raises."""
        now = ticks_us()
        reading = self._reading
        try:
            self._imu.read_into(reading)
        except _BUS_ERRORS:
            self.failures += 1
            return
        self.failures = 0
        slot = self.count % self.capacity
        at = slot * _SAMPLE
        samples = self._samples
        order = self._imu.order
        i = 0
        while i < _SAMPLE:
            samples[at + i] = reading[order[i]]
            i += 1
        self._ticks[slot] = now  # type: ignore[call-overload]  # ticks are whole numbers
        self.temperature_raw = reading[self._imu.temperature_high] << 8 | reading[self._imu.temperature_low]
        if self.count:
            self._watch_gap(ticks_diff(now, self._last))
        self._last = now
        self.count += 1  # last: the main loop must never see a half-filled slot

    def _watch_gap(self, gap_us):
        if gap_us > self.worst_gap_us:
            self.worst_gap_us = gap_us
        missed = (gap_us + self._period_us // 2) // self._period_us - 1
        if missed > 0:
            self.lost += missed

    @property
    def oldest(self):
        """Number of the oldest sample that is surely whole (the timer may be filling the slot after the newest)."""
        return max(0, self.count - self.capacity + 1)

    def ticks(self, number):
        return self._ticks[number % self.capacity]

    def sample(self, number):
        """The twelve bytes of a sample."""
        at = number % self.capacity * _SAMPLE
        return self._samples[at : at + _SAMPLE]

    def between(self, first_ticks, last_ticks):
        """Numbers (first, after the last) of the samples taken from one tick count to another, both included."""
        first = self._first_not_before(first_ticks, self.oldest)
        after = first
        while after < self.count and ticks_diff(last_ticks, self.ticks(after)) >= 0:
            after += 1
        return first, after

    def _first_not_before(self, ticks, low):
        # Bisection: the stamps rise, and the whole ring is far shorter than the wrap of the ticks.
        high = self.count
        while low < high:
            middle = (low + high) // 2
            if ticks_diff(self.ticks(middle), ticks) < 0:
                low = middle + 1
            else:
                high = middle
        return low
