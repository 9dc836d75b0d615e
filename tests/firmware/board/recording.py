"""The unit's attitude filter over recorded counts (MicroPython): `micropython recording.py SETTINGS IN OUT`.

SETTINGS: JSON with rate_hz, accel_lsb_per_g, gyro_lsb_per_dps, calibration. IN: rows of `<ihhhhhh`, microseconds and six counts.
OUT: rows of `<fffffff`, the attitude (w, x, y, z) and the offset in force (rad/s).
"""

import json
import struct
import sys

from unit.attitude import Attitude
from unit.scale import Scale

_ROW = "<ihhhhhh"


class Counts:
    pass


def main(settings, source, target):
    with open(settings) as file:
        given = json.load(file)
    imu = Counts()
    imu.accel_lsb_per_g = given["accel_lsb_per_g"]
    imu.gyro_lsb_per_dps = given["gyro_lsb_per_dps"]
    attitude = Attitude(Scale(imu, ((1, 0, 0), (0, 1, 0), (0, 0, 1)), given["calibration"]), given["rate_hz"])
    before_us = None
    with open(source, "rb") as rows, open(target, "wb") as out:
        while True:
            row = rows.read(16)
            if len(row) < 16:
                break
            values = struct.unpack(_ROW, row)
            t_us = values[0]
            attitude.update(values[1:], 0.0 if before_us is None else (t_us - before_us) * 1e-6, t_us)
            before_us = t_us
            w, x, y, z = attitude.q
            ox, oy, oz = attitude.still.offset_rad_s
            out.write(struct.pack("<fffffff", w, x, y, z, ox, oy, oz))


main(sys.argv[1], sys.argv[2], sys.argv[3])
