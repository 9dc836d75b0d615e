"""Which way the unit points: gyroscope integrated, pulled upright by gravity.

The filter is the proportional part of R. Mahony, T. Hamel, J.-M. Pflimlin, IEEE Trans. Automatic Control 53(5), 2008. There is no
integral part: the gyroscope's offset comes from stillness instead, which does not wander while an observer tracks a model.
Attitude: level_from_body as a quaternion (w, x, y, z); the heading starts anywhere.
"""

from math import cos, sin, sqrt

from unit.stillness import Stillness

_PULL_PER_S = 0.5  # the tilt follows gravity within two seconds: slower than an observer's jerk, faster than any drift
_PULL_EVERY = 4  # samples: each costs a hundred boxed floats, and the pull is slow anyway
_CALM_G = 0.15  # further from one g than this the accelerometer does not know where up is
_LONGEST_GAP_S = 0.25
_SATURATED = 32767


def product(a, b):
    """Quaternion product."""
    aw, ax, ay, az = a
    bw, bx, by, bz = b
    return (
        aw * bw - ax * bx - ay * by - az * bz,
        aw * bx + ax * bw + ay * bz - az * by,
        aw * by - ax * bz + ay * bw + az * bx,
        aw * bz + ax * by - ay * bx + az * bw,
    )


def turned(q, wx, wy, wz, dt_s):
    """The attitude after turning at a body rate (rad/s) for a time, of unit length again."""
    rate = sqrt(wx * wx + wy * wy + wz * wz)
    if rate == 0.0:
        return q
    half = 0.5 * rate * dt_s
    s = sin(half) / rate
    w, x, y, z = product(q, (cos(half), s * wx, s * wy, s * wz))
    length = sqrt(w * w + x * x + y * y + z * z)
    return (w / length, x / length, y / length, z / length)


def upright(ax, ay, az):
    """The attitude whose up is along a specific force (any length), turned from level by the shortest way."""
    g = sqrt(ax * ax + ay * ay + az * az)
    w = 1.0 + az / g
    if w < 1e-6:
        return (0.0, 1.0, 0.0, 0.0)  # upside down: every way is as short
    x, y = ay / g, -ax / g
    length = sqrt(w * w + x * x + y * y)
    return (w / length, x / length, y / length, 0.0)


def level(q, vector):
    """A body vector in level axes."""
    w, x, y, z = q
    vx, vy, vz = vector
    tx, ty, tz = 2 * (y * vz - z * vy), 2 * (z * vx - x * vz), 2 * (x * vy - y * vx)
    return (vx + w * tx + y * tz - z * ty, vy + w * ty + z * tx - x * tz, vz + w * tz + x * ty - y * tx)


class Attitude:
    def __init__(self, scale, rate_hz):
        self._scale = scale
        self.still = Stillness(rate_hz)
        self.q = None  # not known before the first sample
        self.run = 0
        self._rate = (0.0, 0.0, 0.0)
        self._saturated = False
        self._since_pull = 0
        self._since_pull_s = 0.0

    def update(self, counts, dt_s, t_us):
        """Take one sample: six signed counts, the true time since the one before, the time of this one."""
        raw = self._scale.rate_rad_s(counts)
        self.still.update(raw, t_us)
        ox, oy, oz = self.still.offset_rad_s
        rate = (raw[0] - ox, raw[1] - oy, raw[2] - oz)
        if self.q is None or dt_s > _LONGEST_GAP_S:
            self._begin(counts)
        else:
            was = self._rate
            self.q = turned(self.q, (was[0] + rate[0]) * 0.5, (was[1] + rate[1]) * 0.5, (was[2] + rate[2]) * 0.5, dt_s)
            self._since_pull += 1
            self._since_pull_s += dt_s
            if self._since_pull == _PULL_EVERY:
                self._pull(counts)
        self._watch_range(counts)
        self._rate = rate

    def _begin(self, counts):
        ax, ay, az = self._scale.accel_g(counts)
        if ax or ay or az:
            self.q = upright(ax, ay, az)
            self.run = (self.run + 1) & 0xFFFF

    def _pull(self, counts):
        ax, ay, az = self._scale.accel_g(counts)
        g = sqrt(ax * ax + ay * ay + az * az)
        if -_CALM_G < g - 1.0 < _CALM_G:
            w, x, y, z = self.q
            ux, uy, uz = 2 * (x * z - w * y), 2 * (y * z + w * x), w * w - x * x - y * y + z * z
            pull = _PULL_PER_S / g
            self.q = turned(
                self.q, pull * (ay * uz - az * uy), pull * (az * ux - ax * uz), pull * (ax * uy - ay * ux), self._since_pull_s
            )
        self._since_pull = 0
        self._since_pull_s = 0.0

    def _watch_range(self, counts):
        saturated = max(counts[3:]) >= _SATURATED or min(counts[3:]) <= -_SATURATED
        if saturated and not self._saturated:
            self.run = (self.run + 1) & 0xFFFF
        self._saturated = saturated
