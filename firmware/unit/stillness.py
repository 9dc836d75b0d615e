"""The gyroscope's offset, taken whenever the unit lies or is held still for a second.

Watches the counts, which are small integers and cost nothing; only the mean of a second becomes a rate.
"""

_DEG = 0.017453293
_QUIET_DPS = 1.5  # peak to peak: above the noise of a cheap part over a second, below any hand
_START_RAD_S = 25.0 * _DEG  # the largest zero-rate output of the data sheets is 20 degrees a second
_NEWS_RAD_S = 0.3 * _DEG  # an offset moves less than this between two rests; a slow even turn moves more
_INSIST = 10  # unless it insists for this many seconds
_INSIST_RAD_S = 2.0 * _DEG  # and is no faster: a turntable turns evenly for longer than any hand
# What a second's mean weighs against the offset in force, (deg/s)^2: its own noise, and how far an offset strays in a second.
# Allan deviation of a recorded MPU-6050 at rest: 0.006 deg/s at 1 s, 0.003 from 10 to 30 s, 0.006 at a minute. So a long rest is a
# mean of its last six seconds or so, and a short rest does not throw a long one away.
_NOISE = 4e-5
_STRAYS = 1.2e-6


class Stillness:
    def __init__(self, scale, rate_hz):
        self.offset_rad_s = (0.0, 0.0, 0.0)  # body axes
        self.renewed_us = -1
        self.since_us = -1  # start of the present rest; -1: not still
        self._scale = scale
        self._quiet = int(_QUIET_DPS * scale.gyro_lsb_per_dps)
        self._samples = rate_hz
        self._variance = _NOISE
        self._insisting = 0
        self._n = 0

    def update(self, x, y, z, t_us):
        """Take one sample of the gyroscope in counts, sensor axes."""
        if self._n == 0:
            self._begin(x, y, z, t_us)
        self._n += 1
        self._sum_x += x
        self._sum_y += y
        self._sum_z += z
        if x < self._low_x:
            self._low_x = x
        elif x > self._high_x:
            self._high_x = x
        if y < self._low_y:
            self._low_y = y
        elif y > self._high_y:
            self._high_y = y
        if z < self._low_z:
            self._low_z = z
        elif z > self._high_z:
            self._high_z = z
        quiet = self._quiet
        if self._high_x - self._low_x >= quiet or self._high_y - self._low_y >= quiet or self._high_z - self._low_z >= quiet:
            self.since_us = -1
            self._insisting = 0
            self._n = 0
        elif self._n == self._samples:
            self._n = 0
            n = self._samples
            self._second_of_rest(self._scale.mean_rate_rad_s(self._sum_x, self._sum_y, self._sum_z, n), t_us)

    def _begin(self, x, y, z, t_us):
        self._began_us = t_us
        self._sum_x = self._sum_y = self._sum_z = 0
        self._low_x = self._high_x = x
        self._low_y = self._high_y = y
        self._low_z = self._high_z = z

    def _second_of_rest(self, mean, t_us):
        old = self.offset_rad_s
        step = max(abs(mean[0] - old[0]), abs(mean[1] - old[1]), abs(mean[2] - old[2]))
        first = self.renewed_us < 0
        if step > (_START_RAD_S if first else _NEWS_RAD_S):
            self._insisting += 1
            if first or step > _INSIST_RAD_S or self._insisting < _INSIST:
                return
            first = True
        self._insisting = 0
        if self.since_us < 0:
            self.since_us = self._began_us
        share = 1.0 if first else self._share((t_us - self.renewed_us) * 1e-6)
        self._variance = share * _NOISE
        self.offset_rad_s = tuple(old[i] + (mean[i] - old[i]) * share for i in (0, 1, 2))
        self.renewed_us = t_us

    def _share(self, elapsed_s):
        """How much a new second counts against what is known, so long after that was renewed."""
        known = self._variance + _STRAYS * elapsed_s
        return known / (known + _NOISE)
