"""AS5600: where the stand's axis stands, from a magnet on it, over I2C. A unit may do without.

Registers: ams AS5600 data sheet, register map: STATUS 0Bh (bit 5, MD: magnet detected), RAW ANGLE 0Ch (bits 11 to 8) and 0Dh (the
rest). It has no identity register: what answers at 0x36 is taken for it.
"""

from micropython import const

ADDRESS = 0x36
UNKNOWN = const(0xFFFF)  # in place of an angle
_STATUS = const(0x0B)
_MAGNET = const(0x20)


class As5600:
    name = "AS5600"

    def __init__(self, i2c):
        self._i2c = i2c
        self._reading = bytearray(3)

    def angle(self):
        """4096ths of a turn, UNKNOWN without a magnet; OSError where it is silent. One burst that allocates nothing."""
        reading = self._reading
        self._i2c.readfrom_mem_into(ADDRESS, _STATUS, reading)
        if not reading[0] & _MAGNET:
            return UNKNOWN
        return (reading[1] & 0x0F) << 8 | reading[2]


def find(i2c):
    """The encoder on the bus, or None."""
    return As5600(i2c) if ADDRESS in i2c.scan() else None
