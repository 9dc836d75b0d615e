"""How wrong a unit may be: what the data sheet of its part allows, or what a calibration leaves of it. All one sigma.

A limit of a data sheet says no more than that values lie within it; its sigma is the limit over the root of three (JCGM 100:2008,
GUM, 4.3.7). Limits: MPU-6050, InvenSense PS-MPU-6000A rev 3.4, sections 6.1 and 6.2: zero g +-50 and +-80 mg, scales +-3 %, cross
axes +-2 %, zero rate +-20 degrees a second. LSM6DSOX, ST DS12814, tables 2 and 3: zero g 20 mg and zero rate 1 degree a second
(typical values, taken as sigmas), scales +-1 %, its cross axes as much (not stated). Figures from memory.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from apexfix.calibrate.imu import ImuCalibration
from apexfix.units import DEG

SIGMA_ZERO_RAD: Final = 0.1 * DEG  # of the elevation, where a calibration does not say what it left; common practice


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Of one unit and its part."""

    zero_rad: float  # how far from upright the accelerometer shows up, alike in all its readings
    tube_rad: float  # of the tube's axis, to the side
    scale: float  # share of a turn about the upright axis that the gyroscope misses
    cross: float  # share of a rise that it takes for a turn, or the reverse
    trend_rad_s_c: float  # by how much its offset moves in a degree Celsius
    rest_rad_s: float  # what a rest in the field leaves of its offset
    never_rested_rad_s: float  # its offset where no rest has told it
    wander_rad_s_root_s: float  # random walk of the offset in an even temperature
    walk_rad_root_s: float  # random walk of the angle

    @property
    def turn(self) -> float:
        """Share of any turn that may be missing, too much, or about another axis."""
        return float(np.hypot(self.scale, self.cross))


# The trends: a recorded MPU-6050 moves by 0.08, 0.05 and 0.01 degrees a second in a degree (its axes, 0.3 degrees Celsius in 11
# minutes), most are said to move less; LSM6DSOX by its data sheet. The noise of the recorded one is 0.01 degrees in a root second,
# twice that of its data sheet: taken between the two, and what ten seconds' rest leaves with it. Its wander is what the trend does
# not explain.
_MPU6050: Final = Tolerance(
    zero_rad=2.4 * DEG,
    tube_rad=0.5 * DEG,  # mounted by hand; common practice
    scale=0.03 / np.sqrt(3),
    cross=0.02 / np.sqrt(3),
    trend_rad_s_c=0.033 * DEG,
    rest_rad_s=0.0025 * DEG,
    never_rested_rad_s=20.0 / np.sqrt(3) * DEG,
    wander_rad_s_root_s=0.0002 * DEG,
    walk_rad_root_s=0.0075 * DEG,
)
_LSM6DS: Final = Tolerance(
    zero_rad=1.3 * DEG,
    tube_rad=0.5 * DEG,
    scale=0.01 / np.sqrt(3),
    cross=0.01 / np.sqrt(3),
    trend_rad_s_c=0.010 * DEG,
    rest_rad_s=0.0015 * DEG,
    never_rested_rad_s=1.0 * DEG,
    wander_rad_s_root_s=0.0001 * DEG,
    walk_rad_root_s=0.0038 * DEG,
)
# What full turns leave of scale and cross axes: one each way that closes to 0.3 degrees leaves 0.0006 of scale; how true its axis
# stays is common practice.
_TURNED: Final = (0.001, 0.0015)


def tolerance_of(imu: object, calibration: ImuCalibration, turn: tuple[float, float] | None = None) -> Tolerance:
    """Return how wrong a unit may be that is read with a calibration.

    Parameters
    ----------
    imu
        The part, as the unit's boot record names it. One that is not known counts as the worst.
    turn
        Sigmas of scale and cross axes that the gyroscope's calibration states, if it does.
    """
    part = _LSM6DS if isinstance(imu, str) and imu.startswith("LSM6DS") else _MPU6050
    if is_levelled(calibration):
        zero = calibration.stated.elevation_zero_rad or SIGMA_ZERO_RAD
        part = replace(part, zero_rad=zero, tube_rad=zero)
    if not np.array_equal(calibration.gyro_matrix, np.eye(3)):
        scale, cross = turn or _TURNED
        part = replace(part, scale=scale, cross=cross)
    return part


def is_levelled(calibration: ImuCalibration) -> bool:
    """Return whether anybody compared the accelerometer with a level: otherwise it is as its maker left it."""
    as_made = np.array_equal(calibration.accel_matrix, np.eye(3)) and not np.any(calibration.accel_offset_g)
    return calibration.stated.elevation_zero_rad is not None or not as_made
