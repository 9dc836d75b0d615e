"""The gyroscope's offset, taken whenever the unit lies or is held still for a second."""

_DEG = 0.017453293
_QUIET_RAD_S = 1.5 * _DEG  # peak to peak: above the noise of a cheap part over a second, below any hand
_START_RAD_S = 25.0 * _DEG  # the largest zero-rate output of the data sheets is 20 degrees a second
_NEWS_RAD_S = 0.5 * _DEG  # an offset moves less than this between two rests; a slow even turn moves more
_INSIST = 10  # unless it insists for this many seconds
_INSIST_RAD_S = 2.0 * _DEG  # and is no faster: a turntable turns evenly for longer than any hand
_LONGEST_MEAN = 30


class Stillness:
    def __init__(self, rate_hz):
        self.offset_rad_s = (0.0, 0.0, 0.0)  # body axes
        self.renewed_us = -1
        self.since_us = -1  # start of the present rest; -1: not still
        self._samples = rate_hz
        self._agreeing = 0
        self._insisting = 0
        self._begin()

    def _begin(self):
        self._n = 0
        self._sum = [0.0, 0.0, 0.0]
        self._low = [1e9, 1e9, 1e9]
        self._high = [-1e9, -1e9, -1e9]

    def update(self, rate_rad_s, t_us):
        """Take one rate (body axes, offset not removed)."""
        if self._n == 0:
            self._began_us = t_us
        self._n += 1
        quiet = True
        for axis in (0, 1, 2):
            value = rate_rad_s[axis]
            self._sum[axis] += value
            if value < self._low[axis]:
                self._low[axis] = value
            if value > self._high[axis]:
                self._high[axis] = value
            quiet = quiet and self._high[axis] - self._low[axis] < _QUIET_RAD_S
        if not quiet:
            self.since_us = -1
            self._agreeing = 0
            self._insisting = 0
            self._begin()
        elif self._n == self._samples:
            self._second_of_rest([total / self._n for total in self._sum], t_us)
            self._begin()

    def _second_of_rest(self, mean, t_us):
        old = self.offset_rad_s
        step = max(abs(mean[0] - old[0]), abs(mean[1] - old[1]), abs(mean[2] - old[2]))
        limit = _START_RAD_S if self.renewed_us < 0 else _NEWS_RAD_S
        if step > limit:
            self._insisting += 1
            if self.renewed_us < 0 or step > _INSIST_RAD_S or self._insisting < _INSIST:
                return
            self._agreeing = 0
        self._insisting = 0
        if self.since_us < 0:
            self.since_us = self._began_us
        # The mean over the whole rest, up to half a minute: noise falls, slow drift with temperature is followed.
        self._agreeing = min(self._agreeing + 1, _LONGEST_MEAN)
        share = 1.0 / self._agreeing
        self.offset_rad_s = tuple(old[i] + (mean[i] - old[i]) * share for i in (0, 1, 2))
        self.renewed_us = t_us
