"""Raw counts to calibrated quantities in body axes. Calibration object and signs: docs/protocol.md, section 5."""

_DEG = 0.017453293
_UNIT = ((1, 0, 0), (0, 1, 0), (0, 0, 1))


def _times(a, b):
    return [[sum(a[r][k] * b[k][c] for k in (0, 1, 2)) for c in (0, 1, 2)] for r in (0, 1, 2)]


class Scale:
    """One 3 x 3 matrix and offset a sensor, multiplied out once."""

    def __init__(self, imu, body_from_sensor, calibration):
        calibration = calibration or {}
        accel = _times(body_from_sensor, calibration.get("accel_matrix", _UNIT))
        gyro = _times(body_from_sensor, calibration.get("gyro_matrix", _UNIT))
        offset = calibration.get("accel_offset_g", (0, 0, 0))
        self.tube_body = calibration.get("tube_body", (1, 0, 0))
        self.accel_lsb_per_g = imu.accel_lsb_per_g
        self.gyro_lsb_per_dps = imu.gyro_lsb_per_dps
        self._accel = [[value / imu.accel_lsb_per_g for value in row] for row in accel]
        self._shift = [sum(row[k] * offset[k] for k in (0, 1, 2)) for row in accel]
        self._gyro = [[value * _DEG / imu.gyro_lsb_per_dps for value in row] for row in gyro]
        # Nine numbers, row after row: rad/s from the sum of two readings, the still offset not yet taken off.
        self.half_gyro = tuple(0.5 * value for row in self._gyro for value in row)

    def accel_g(self, counts):
        """Specific force in g from six counts (accelerometer x, y, z, gyroscope x, y, z)."""
        return self.mean_accel_g(counts[0], counts[1], counts[2], 1)

    def mean_accel_g(self, x, y, z, n):
        """Mean specific force in g of n readings whose counts were summed up."""
        (a, b, c), (d, e, f), (g, h, i) = self._accel
        sx, sy, sz = self._shift
        return ((a * x + b * y + c * z) / n - sx, (d * x + e * y + f * z) / n - sy, (g * x + h * y + i * z) / n - sz)

    def mean_rate_rad_s(self, x, y, z, n):
        """Mean rate in rad/s of n readings whose counts were summed up, the still offset not yet taken off."""
        (a, b, c), (d, e, f), (g, h, i) = self._gyro
        return ((a * x + b * y + c * z) / n, (d * x + e * y + f * z) / n, (g * x + h * y + i * z) / n)
