"""Which way the unit points: gyroscope integrated, pulled upright by gravity.

The filter is the proportional part of R. Mahony, T. Hamel, J.-M. Pflimlin, IEEE Trans. Automatic Control 53(5), 2008, behind a
low-pass: a hand cannot accelerate for long to one side, so what is quick in the accelerometer is the hand and what lasts is gravity.
There is no integral part: the gyroscope's offset comes from stillness instead, which does not wander while an observer tracks a
model.
Attitude: level_from_body as a quaternion (w, x, y, z); the heading starts anywhere.

MicroPython puts every result of float arithmetic on the heap, and collecting that garbage costs samples. So the path of a sample
counts in whole numbers as long as it can, is written out without helpers, and meets gravity once in three samples, with the mean of
the three.
"""

from math import sqrt

from unit.stillness import Stillness

_PULL_PER_S = 1.0  # the tilt follows gravity within two seconds: slower than an observer's jerk, faster than any drift
_LAG_S = 0.3  # of the pull behind gravity; a quarter second would be without any overshoot
_PULL_EVERY = 3  # samples, odd: their mean is held against the attitude at the middle one, so that a turn does not pull
_MIDDLE = 2
_CALM_G = 0.33  # counts further from one g do not know where up is; a swing of the arms and the zeros of the data sheets do
_LONGEST_GAP_S = 0.25
_LONGEST_REST_S = 0.5  # what is at rest before and after so short a gap has not turned: the slowest erase of a flash takes 0.4 s
_SATURATED = 32767
_THIRD = 1.0 / 3.0
_LONG_STEP = 0.998  # over a gap, or faster than a sensor can measure: such a step lengthens the quaternion by more than 1e-3


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
        self.still = Stillness(scale, rate_hz)
        self.q = None  # not known before the first sample
        self.run = 0
        self._before_x = self._before_y = self._before_z = 0  # gyroscope counts of the sample before
        quarter_g = scale.accel_lsb_per_g / 4  # squares of whole counts would leave the board's small integers
        self._calm_from = int((quarter_g * (1 - _CALM_G)) ** 2)
        self._calm_to = int((quarter_g * (1 + _CALM_G)) ** 2)
        self._saturated = False
        self._two_readings = 2.0 * scale.gyro_parts_per_rad_s  # parts of the sum of two readings, for a rate of 1 rad/s
        self._half_rad = 0.25 / scale.gyro_parts_per_rad_s  # half the angle that such a part turns in a second
        self._slowly = round(_LAG_S * rate_hz / _PULL_EVERY) + 1  # a pull takes over by one part of so many
        self._pull_per_part = _PULL_PER_S * self._two_readings * quarter_g / (_PULL_EVERY * scale.accel_parts_per_g * self._slowly)
        self._restart()
        self._shift = self._offset()

    def update(self, counts, dt_s, t_us):
        """Take one sample: six signed counts, the true time since the one before, the time of this one."""
        ax, ay, az, gx, gy, gz = counts
        self.still.update(gx, gy, gz, t_us)
        if self.q is None or dt_s > (_LONGEST_GAP_S if self.still.since_us < 0 else _LONGEST_REST_S):
            self._begin(counts)
        else:
            self._turn(gx, gy, gz, dt_s)
            self._feel(ax, ay, az)
        self._watch_range(gx, gy, gz)
        self._before_x = gx
        self._before_y = gy
        self._before_z = gz

    def _begin(self, counts):
        ax, ay, az = self._scale.accel_g(counts)
        if ax or ay or az:
            self.q = upright(ax, ay, az)
            self.run = (self.run + 1) & 0xFFFF
            self._restart()
            self._shift = self._offset()

    def _restart(self):
        """Begin another group of samples."""
        self._felt = 0  # samples in the sums
        self._sum_x = self._sum_y = self._sum_z = 0
        self._middle = None

    def _offset(self):
        """The offset in force, in parts of the sum of two readings."""
        x, y, z = self.still.offset_rad_s
        parts = self._two_readings
        return (int(x * parts), int(y * parts), int(z * parts))

    def _turn(self, gx, gy, gz, dt_s):
        """Turn by the mean rate of this sample and the one before, gravity's pull included; of unit length within the pull."""
        gx += self._before_x
        gy += self._before_y
        gz += self._before_z
        a, b, c, d, e, f, g, h, i = self._scale.gyro
        sx, sy, sz = self._shift
        half = dt_s * self._half_rad
        x = (a * gx + b * gy + c * gz - sx) * half
        y = (d * gx + e * gy + f * gz - sy) * half
        z = (g * gx + h * gy + i * gz - sz) * half
        # The tangent of t is t / (1 - t t / 3) but for its fifth power: 1e-7 of the fastest turn that the sensor measures.
        w = 1.0 - (x * x + y * y + z * z) * _THIRD
        qw, qx, qy, qz = self.q
        self.q = (
            qw * w - qx * x - qy * y - qz * z,
            qw * x + qx * w + qy * z - qz * y,
            qw * y - qx * z + qy * w + qz * x,
            qw * z + qx * y - qy * x + qz * w,
        )
        if w < _LONG_STEP:
            self._normalise()

    def _feel(self, ax, ay, az):
        square = (ax >> 2) ** 2 + (ay >> 2) ** 2 + (az >> 2) ** 2
        if not self._calm_from < square < self._calm_to:
            self._normalise()
            self._restart()
            self._let_go()
            return
        self._sum_x += ax
        self._sum_y += ay
        self._sum_z += az
        self._felt += 1
        if self._felt == _MIDDLE:
            self._middle = self.q
            self._square = square
        elif self._felt == _PULL_EVERY:
            self._pull()

    def _let_go(self):
        """Let what pulled last pull less, while nobody knows where up is."""
        px, py, pz = self._shift
        ox, oy, oz = self._offset()
        slowly = self._slowly
        self._shift = (px - (px - ox) // slowly, py - (py - oy) // slowly, pz - (pz - oz) // slowly)

    def _pull(self):
        """Let the next samples turn a little towards gravity."""
        w, x, y, z = self._middle
        sx, sy, sz = self._sum_x, self._sum_y, self._sum_z
        self._normalise()
        self._restart()
        a, b, c, d, e, f, g, h, i = self._scale.accel
        ox, oy, oz = self._scale.accel_offset
        ax = a * sx + b * sy + c * sz - _PULL_EVERY * ox
        ay = d * sx + e * sy + f * sz - _PULL_EVERY * oy
        az = g * sx + h * sy + i * sz - _PULL_EVERY * oz
        ux, uy, uz = (x * z - w * y) * 2, (y * z + w * x) * 2, w * w - x * x - y * y + z * z
        pull = self._pull_per_part / sqrt(self._square)
        px, py, pz = self._shift
        ox, oy, oz = self._offset()
        slowly = self._slowly
        self._shift = (
            px - (px - ox) // slowly - int((ay * uz - az * uy) * pull),
            py - (py - oy) // slowly - int((az * ux - ax * uz) * pull),
            pz - (pz - oz) // slowly - int((ax * uy - ay * ux) * pull),
        )

    def _normalise(self):
        w, x, y, z = self.q
        length = 1.0 / sqrt(w * w + x * x + y * y + z * z)
        self.q = (w * length, x * length, y * length, z * length)

    def _watch_range(self, gx, gy, gz):
        saturated = not (-_SATURATED < gx < _SATURATED and -_SATURATED < gy < _SATURATED and -_SATURATED < gz < _SATURATED)
        if saturated and not self._saturated:
            self.run = (self.run + 1) & 0xFFFF
        self._saturated = saturated
