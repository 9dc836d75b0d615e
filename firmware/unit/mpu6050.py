"""MPU-6050 and the parts that answer at its address, over I2C.

Register numbers and codes: InvenSense RM-MPU-6000A rev 4.2, sections 4.2 to 4.5, 4.17 to 4.19, 4.28, 4.32.
"""

from micropython import const
from time import sleep_ms

_SMPLRT_DIV = const(0x19)
_CONFIG = const(0x1A)
_GYRO_CONFIG = const(0x1B)
_ACCEL_CONFIG = const(0x1C)
_ACCEL_CONFIG_2 = const(0x1D)  # MPU-6500 and ICM-20689 only: their accelerometer has a filter of its own
_ACCEL_XOUT_H = const(0x3B)
_PWR_MGMT_1 = const(0x6B)
_WHO_AM_I = const(0x75)

_DEVICE_RESET = const(0x80)
_CLOCK_FROM_GYRO_X = const(0x01)
_GYRO_500_DPS = const(0x08)  # FS_SEL 1
_ACCEL_2_G = const(0x00)  # AFS_SEL 0
_RESET_MS = const(100)  # the wait that section 4.28 asks for after a reset

ADDRESSES = (0x68, 0x69)
# identity: name, counts per degree Celsius, degrees Celsius at zero counts, has ACCEL_CONFIG_2
PARTS = {
    0x68: ("MPU-6050", 340.0, 36.53, False),
    0x70: ("MPU-6500", 333.87, 21.0, True),
    0x72: ("MPU-6050 clone 0x72", 340.0, 36.53, True),
    0x98: ("ICM-20689", 326.8, 25.0, True),
}
# rate: (DLPF_CFG, SMPLRT_DIV). Section 4.3: code 4 is 21 Hz (accelerometer) and 20 Hz (gyroscope), code 3 is 44 and 42 Hz.
# The part runs at 200 and 500 Hz, so that a reading is at most one of its own periods old.
_SETTINGS = {100: (4, 4), 200: (3, 1)}


def identity(i2c, address):
    return i2c.readfrom_mem(address, _WHO_AM_I, 1)[0]


class Mpu6050:
    accel_lsb_per_g = 16384.0
    gyro_lsb_per_dps = 65.5
    # Where the bytes of a sample (accelerometer x, y, z, gyroscope x, y, z, low byte first) stand in a reading: high byte first.
    order = b"\x01\x00\x03\x02\x05\x04\x09\x08\x0b\x0a\x0d\x0c"
    temperature_low = 7
    temperature_high = 6

    def __init__(self, i2c, address, rate_hz):
        self._i2c = i2c
        self._address = address
        found = identity(i2c, address)
        if found not in PARTS:
            raise OSError("sensor at 0x%02X says it is 0x%02X, not an MPU-6050 (0x68) or a known relative" % (address, found))
        self.name, self._per_degree, self._zero_degrees, own_filter = PARTS[found]
        self._reset()
        low_pass, divider = _SETTINGS[rate_hz]
        self._write(_CONFIG, low_pass)
        self._write(_SMPLRT_DIV, divider)
        self._write(_GYRO_CONFIG, _GYRO_500_DPS)
        self._write(_ACCEL_CONFIG, _ACCEL_2_G)
        if own_filter:
            self._write(_ACCEL_CONFIG_2, low_pass)

    def read_into(self, reading):
        """Fill 14 bytes with one coherent reading. Allocates nothing; safe in an interrupt."""
        self._i2c.readfrom_mem_into(self._address, _ACCEL_XOUT_H, reading)

    def temperature_cdeg(self, raw):
        """Hundredths of a degree Celsius from signed counts."""
        return round((raw / self._per_degree + self._zero_degrees) * 100)

    def _write(self, register, value):
        self._i2c.writeto_mem(self._address, register, bytes((value,)))

    def _reset(self):
        self._write(_PWR_MGMT_1, _DEVICE_RESET)
        sleep_ms(_RESET_MS)
        if self._i2c.readfrom_mem(self._address, _PWR_MGMT_1, 1)[0] & _DEVICE_RESET:
            raise OSError("%s did not come out of its reset within %d ms" % (self.name, _RESET_MS))
        self._write(_PWR_MGMT_1, _CLOCK_FROM_GYRO_X)
        sleep_ms(_RESET_MS)
