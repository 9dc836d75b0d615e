"""Where the Sun stands, and how near a line of sight comes to it."""

from datetime import datetime

import numpy as np
from astral import Observer
from astral.sun import zenith_and_azimuth

from apexfix.geometry import direction
from apexfix.model import Vector
from apexfix.units import DEG


def sun_angles(latitude_rad: float, longitude_rad: float, height_m: float, moment: datetime) -> tuple[float, float]:
    """Return azimuth and apparent elevation of the Sun, radians; the elevation is negative while it is down.

    Parameters
    ----------
    height_m : above the sea
    moment : with a time zone

    Notes
    -----
    The library's series agree with those of Reda and Andreas (*Solar Energy* 76, 2004) within 0.02 degrees from 1950 to 2050, which
    is a twenty-fifth of the Sun's own breadth.
    """
    place = Observer(latitude_rad / DEG, longitude_rad / DEG, height_m)
    zenith_deg, azimuth_deg = zenith_and_azimuth(place, moment, with_refraction=True)
    return azimuth_deg * DEG, (90.0 - zenith_deg) * DEG


def separation_rad(sight_m: Vector, azimuth_rad: float, elevation_rad: float) -> Vector:
    """Return the angles between (..., 3) lines of sight of any length and a direction.

    Examples
    --------
    >>> (separation_rad(np.array([0.0, 5.0, 0.0]), np.pi / 2, 0.0) / DEG).round(6).item()
    90.0
    """
    towards = direction(azimuth_rad, elevation_rad)
    across = np.linalg.norm(np.cross(sight_m, towards), axis=-1)
    return np.asarray(np.arctan2(across, sight_m @ towards))
