"""Where a station stands, from what can be measured on a field: metres, a tape and a compass, or latitude and longitude.

The geodetic conversion is written out here: it is closed, exact and shorter than the declaration of a library for it.
"""

from typing import Final

import numpy as np

from apexfix.geometry import direction
from apexfix.model import Vector

# World Geodetic System 1984, NGA.STND.0036 (2014), table 3.1: the defining axis and flattening
WGS84_AXIS_M: Final = 6_378_137.0
WGS84_FLATTENING: Final = 1 / 298.257223563


def from_tape(distance_m: float, azimuth_rad: float, up_m: float) -> Vector:
    """Return the (3,) position at a level distance and a true azimuth from the pad.

    Examples
    --------
    >>> from_tape(100.0, np.pi / 2, 1.5).round(6).tolist()
    [100.0, 0.0, 1.5]
    """
    east, north, _ = distance_m * direction(azimuth_rad, 0.0)
    return np.array([east, north, up_m])


def true_azimuth(bearing_rad: float, declination_rad: float) -> float:
    """Return the true azimuth in [0, 2 pi) of a magnetic bearing; the declination is positive where the needle points east."""
    return float(np.mod(bearing_rad + declination_rad, 2 * np.pi))


def geocentric(latitude_rad: float, longitude_rad: float, height_m: float) -> Vector:
    """Return the (3,) earth-centred, earth-fixed position of a point given by geodetic coordinates on WGS 84.

    Notes
    -----
    The closed form of every textbook on geodesy: with N the radius of curvature in the prime vertical and e the eccentricity,
    X = (N + h) cos B cos L, Y = (N + h) cos B sin L, Z = (N (1 - e^2) + h) sin B.
    """
    eccentricity2 = WGS84_FLATTENING * (2 - WGS84_FLATTENING)
    prime_vertical_m = WGS84_AXIS_M / np.sqrt(1 - eccentricity2 * np.sin(latitude_rad) ** 2)
    outward = direction(np.pi / 2 - longitude_rad, latitude_rad)  # "east" is X here, "north" is Y
    return np.array([prime_vertical_m, prime_vertical_m, prime_vertical_m * (1 - eccentricity2)]) * outward + height_m * outward


def from_geodetic(point: tuple[float, float, float], origin: tuple[float, float, float]) -> Vector:
    """Return the (3,) east, north, up of a point in the plane that touches the ellipsoid at the origin.

    Parameters
    ----------
    point, origin : (latitude_rad, longitude_rad, height_m)
        Heights above the ellipsoid, or both above the same level: only their difference matters at the size of a field.

    Notes
    -----
    The plane is that of light: straight lines of sight stay straight in it, so a distant point at the same height as the origin
    comes out lower, by the square of the distance over twice the earth's radius (8 mm at 320 m).
    """
    latitude_rad, longitude_rad, _ = origin
    east = direction(-longitude_rad, 0.0)
    north = direction(-np.pi / 2 - longitude_rad, np.pi / 2 - latitude_rad)
    up = direction(np.pi / 2 - longitude_rad, latitude_rad)
    moved: Vector = np.stack([east, north, up]) @ (geocentric(*point) - geocentric(*origin))
    return moved
