"""A timer reads the sensor into a ring of stamped raw samples, whatever the main loop is doing.

The ring holds 16 bytes a sample, taken once: a tick count of ticks_us (below 2^30, so it needs no allocation) and the twelve bytes
of a window record. Samples are named by their number since boot; the ring holds the last `capacity` of them. Where
the stand has an encoder on its axis, the angle is read with every sample.
"""

from array import array
from machine import Timer
from micropython import const
from time import ticks_diff, ticks_us

from unit.as5600 import UNKNOWN

_SAMPLE = const(12)
_READING = const(14)
_BUS_ERRORS = (OSError, MemoryError)
_NEAR_US = const(50000)
_MOST_SILENT = const(20)  # readings: a silent encoder costs time that the sensor needs


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
        self.span_us = capacity * self._period_us  # how long a sample is kept
        self._ticks = array("i", bytes(4 * capacity))
        self._samples = bytearray(_SAMPLE * capacity)
        self._reading = bytearray(_READING)
        self._last = 0
        self._imu = None
        self._encoder = None
        self._silent = 0  # readings of the encoder that failed, in a row
        self._angles = None
        self._timer = Timer(-1)
        self._callback = self.take  # made once: a bound method made in an interrupt would allocate

    def start(self, imu, encoder=None):
        """Begin. An encoder's angle is read with every sample until it falls silent."""
        self._imu = imu
        self.failures = 0
        self._encoder = encoder
        self._silent = 0
        if encoder and self._angles is None:
            self._angles = array("H", bytes(2 * self.capacity))
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
        if self._angles is not None:
            self._angles[slot] = self._angle()
        self.temperature_raw = reading[self._imu.temperature_high] << 8 | reading[self._imu.temperature_low]
        if self.count:
            self._watch_gap(ticks_diff(now, self._last))
        self._last = now
        self.count += 1  # last: the main loop must never see a half-filled slot

    def _angle(self):
        if self._encoder is None:
            return UNKNOWN
        try:
            angle = self._encoder.angle()
        except _BUS_ERRORS:
            self._silent += 1
            if self._silent == _MOST_SILENT:
                self._encoder = None
            return UNKNOWN
        self._silent = 0
        return angle

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

    def newest_angle(self):
        return self.angle_at(self._last)

    def angle_at(self, ticks):
        """The encoder's angle at the sample nearest to a tick count; UNKNOWN where there is none."""
        if self._angles is None or self.count == 0:
            return UNKNOWN
        number = self._first_not_before(ticks, self.oldest)
        if number == self.count or (number > self.oldest and self._apart(number - 1, ticks) < self._apart(number, ticks)):
            number -= 1
        return self._angles[number % self.capacity] if self._apart(number, ticks) < _NEAR_US else UNKNOWN

    def _apart(self, number, ticks):
        return abs(ticks_diff(self.ticks(number), ticks))

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
