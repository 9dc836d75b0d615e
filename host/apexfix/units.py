"""Conversion factors. A quantity times its unit is a quantity in the package's own unit; divide to get it back.

>>> round(90 * DEG, 6)
1.570796
>>> round(1.570796 / DEG, 3)
90.0
"""

from math import pi
from typing import Final

DEG: Final = pi / 180.0  # radians
FOOT: Final = 0.3048  # metres, exactly (international foot, 1959)
US: Final = 1e-6  # seconds in a microsecond
SECOND_US: Final = 1_000_000  # microseconds in a second
STANDARD_GRAVITY: Final = 9.80665  # m/s2, CGPM 1901
EARTH_RADIUS_M: Final = 6_371_008.8  # mean radius of the GRS 80 ellipsoid, IUGG
