"""Finds the inertial sensor on the bus and gives back its driver, whichever it is."""

from unit import lsm6ds, mpu6050


def find(i2c, rate_hz):
    """Return a driver that has checked the sensor's identity and set it up. OSError says what was seen instead."""
    seen = i2c.scan()
    wrong = []
    for addresses, driver in ((mpu6050.ADDRESSES, mpu6050.Mpu6050), (lsm6ds.ADDRESSES, lsm6ds.Lsm6ds)):
        for address in addresses:
            if address in seen:
                try:
                    return driver(i2c, address, rate_hz)
                except OSError as refusal:
                    wrong.append(str(refusal))
    if wrong:
        raise OSError("; ".join(wrong))
    listed = ", ".join("0x%02X" % address for address in seen) or "nothing"
    raise OSError("the bus shows %s, no sensor at 0x68, 0x69, 0x6A or 0x6B: check the four wires" % listed)
