"""LSM6DSOX, LSM6DS3 and LSM6DS3TR-C over I2C.

Register numbers and codes: ST data sheets DS12814 (LSM6DSOX), DocID026899 (LSM6DS3), DocID030071 (LSM6DS3TR-C), the tables of
CTRL1_XL (10h) to CTRL8_XL (17h).
"""

from micropython import const
from time import sleep_ms

_WHO_AM_I = const(0x0F)
_CTRL1_XL = const(0x10)
_CTRL2_G = const(0x11)
_CTRL3_C = const(0x12)
_CTRL4_C = const(0x13)
_CTRL6_C = const(0x15)
_CTRL8_XL = const(0x17)
_OUT_TEMP_L = const(0x20)  # temperature, gyroscope x, y, z, accelerometer x, y, z: 14 bytes, low byte first

_SW_RESET = const(0x01)
_BDU_AND_IF_INC = const(0x44)
_GYRO_500_DPS = const(0x04)  # FS_G 01
_RESET_MS = const(10)  # far beyond the 50 us of the data sheet; a stuck sensor must not hang the unit

ADDRESSES = (0x6A, 0x6B)
# identity: name, counts per degree Celsius, low bits of CTRL1_XL, CTRL4_C
# LSM6DSOX: LPF2_XL_EN with HPCF_XL 000 is ODR/4; LPF1_SEL_G with FTYPE 000 filters the gyroscope.
# LSM6DS3TR-C: the same bits are called LPF1_BW_SEL and LPF1_SEL_G and do the same.
# LSM6DS3: BW_XL 11 is 50 Hz and counts only with XL_BW_SCAL_ODR; its gyroscope filter follows the data rate.
PARTS = {
    0x6C: ("LSM6DSOX", 256.0, 0x02, 0x02),
    0x6A: ("LSM6DS3TR-C", 256.0, 0x02, 0x02),
    0x69: ("LSM6DS3", 16.0, 0x03, 0x80),
}
_DATA_RATE = {100: 0x40, 200: 0x50}  # ODR 0100 is 104 Hz, 0101 is 208 Hz


def identity(i2c, address):
    return i2c.readfrom_mem(address, _WHO_AM_I, 1)[0]


class Lsm6ds:
    accel_lsb_per_g = 16393.4  # 0.061 mg per count
    gyro_lsb_per_dps = 57.142857  # 17.5 mdps per count
    # Where the bytes of a sample (accelerometer x, y, z, gyroscope x, y, z, low byte first) stand in a reading.
    order = b"\x08\x09\x0a\x0b\x0c\x0d\x02\x03\x04\x05\x06\x07"
    temperature_low = 0
    temperature_high = 1

    def __init__(self, i2c, address, rate_hz):
        self._i2c = i2c
        self._address = address
        found = identity(i2c, address)
        if found not in PARTS:
            raise OSError("sensor at 0x%02X says it is 0x%02X, not an LSM6DSOX (0x6C), LSM6DS3 (0x69) or TR-C (0x6A)" % (address, found))
        self.name, self._per_degree, accel_filter, control_4 = PARTS[found]
        self._reset()
        rate = _DATA_RATE[rate_hz]
        self._write(_CTRL3_C, _BDU_AND_IF_INC)
        self._write(_CTRL4_C, control_4)
        self._write(_CTRL6_C, 0)
        self._write(_CTRL8_XL, 0)
        self._write(_CTRL1_XL, rate | accel_filter)
        self._write(_CTRL2_G, rate | _GYRO_500_DPS)

    def read_into(self, reading):
        """Fill 14 bytes with one coherent reading. Allocates nothing; safe in an interrupt."""
        self._i2c.readfrom_mem_into(self._address, _OUT_TEMP_L, reading)

    def temperature_cdeg(self, raw):
        """Hundredths of a degree Celsius from signed counts."""
        return round((raw / self._per_degree + 25.0) * 100)

    def _write(self, register, value):
        self._i2c.writeto_mem(self._address, register, bytes((value,)))

    def _reset(self):
        self._write(_CTRL3_C, _SW_RESET)
        for _ in range(_RESET_MS):
            sleep_ms(1)
            if not self._i2c.readfrom_mem(self._address, _CTRL3_C, 1)[0] & _SW_RESET:
                return
        raise OSError("%s did not come out of its reset within %d ms" % (self.name, _RESET_MS))
