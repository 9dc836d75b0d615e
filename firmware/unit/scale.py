"""Raw counts to calibrated quantities in body axes. Calibration object and signs: docs/protocol.md, section 5.

The matrices of every sample are whole numbers: products of counts with them stay small integers of the board (31 bits) as long as a
row adds up to less than two, and cost no memory. What rounding leaves of a matrix is 6e-5: 0.005 degrees of a quarter turn.
"""

_DEG = 0.017453293
_UNIT = ((1, 0, 0), (0, 1, 0), (0, 0, 1))
_FINE = 8192  # whole numbers stand for so many times themselves


def _times(a, b):
    return [[sum(a[r][k] * b[k][c] for k in (0, 1, 2)) for c in (0, 1, 2)] for r in (0, 1, 2)]


def _whole(matrix):
    return tuple(round(value * _FINE) for row in matrix for value in row)


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
        # Nine whole numbers, row after row: a calibrated reading in body axes, in parts of a count.
        self.accel = _whole(accel)
        self.gyro = _whole(gyro)
        self.accel_parts_per_g = imu.accel_lsb_per_g * _FINE
        self.gyro_parts_per_rad_s = imu.gyro_lsb_per_dps / _DEG * _FINE
        self._accel = accel
        self._gyro = gyro
        self._offset_g = [sum(row[k] * offset[k] for k in (0, 1, 2)) for row in accel]
        self.accel_offset = tuple(round(value * self.accel_parts_per_g) for value in self._offset_g)

    def accel_g(self, counts):
        """Specific force in g from six counts (accelerometer x, y, z, gyroscope x, y, z)."""
        x, y, z = counts[:3]
        per_g = self.accel_lsb_per_g
        return tuple((row[0] * x + row[1] * y + row[2] * z) / per_g - offset for row, offset in zip(self._accel, self._offset_g))

    def mean_rate_rad_s(self, x, y, z, n):
        """Mean rate in rad/s of n readings whose counts were summed up, the still offset not yet taken off."""
        per_count = _DEG / self.gyro_lsb_per_dps / n
        return tuple((row[0] * x + row[1] * y + row[2] * z) * per_count for row in self._gyro)
