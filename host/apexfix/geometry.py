"""Directions, angles and rotations in the frames of docs/conventions.md."""

from typing import Final

import numpy as np

from apexfix.model import Vector

_FLATTEST: Final = 0.01  # cosine of an elevation: nearer to the zenith an azimuth says nothing at all


def direction(azimuth_rad: Vector | float, elevation_rad: Vector | float) -> Vector:
    """Return the unit vector that points along an azimuth and an elevation.

    Parameters
    ----------
    azimuth_rad : float or (...) array
        Clockwise from true north.
    elevation_rad : float or (...) array
        Up from the horizon; beyond pi/2 the vector leans back over the zenith.

    Returns
    -------
    (..., 3) array
        East, north, up.

    Examples
    --------
    >>> direction(0.0, 0.0).tolist()
    [0.0, 1.0, 0.0]
    """
    azimuth, elevation = np.broadcast_arrays(azimuth_rad, elevation_rad)
    level = np.cos(elevation)
    return np.stack([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(elevation)], axis=-1)


def angles(vector: Vector) -> tuple[Vector, Vector]:
    """Return the azimuth in [0, 2 pi) and the elevation in [-pi/2, pi/2] of (..., 3) vectors of any length.

    The elevation is taken with atan2, which keeps its digits near the zenith where an arc sine loses half of them.

    Examples
    --------
    >>> [round(float(a), 6) for a in angles(np.array([1.0, 0.0, 1.0]))]
    [1.570796, 0.785398]
    """
    east, north, up = np.moveaxis(np.asarray(vector, dtype=np.float64), -1, 0)
    azimuth = np.mod(np.arctan2(east, north), 2 * np.pi)
    return azimuth, np.arctan2(up, np.hypot(east, north))


def wrapped(angle_rad: Vector | float) -> Vector:
    """Return the same angle in [-pi, pi).

    Examples
    --------
    >>> round(float(wrapped(3 * np.pi / 2)), 6)
    -1.570796
    """
    return np.asarray(np.mod(np.asarray(angle_rad, dtype=np.float64) + np.pi, 2 * np.pi) - np.pi)


def tangent_and_secant(elevation_rad: Vector | float) -> tuple[Vector, Vector]:
    """Return by how much a tilt to the side, and a direction to the side, move the azimuth of a sight: tan E and 1 / cos E.

    Within half a degree of the zenith they grow no further.

    Examples
    --------
    >>> [round(float(lever), 6) for lever in tangent_and_secant(np.pi / 3)]
    [1.732051, 2.0]
    """
    cosine = np.cos(elevation_rad)
    cosine = np.where(np.abs(cosine) > _FLATTEST, cosine, _FLATTEST)
    return np.asarray(np.sin(elevation_rad) / cosine), np.asarray(1.0 / cosine)


def widest_gap_rad(angle_rad: Vector) -> float:
    """Return the widest stretch of the circle without any of (N,) angles, N at least 1.

    Examples
    --------
    >>> round(widest_gap_rad(np.radians([350.0, 80.0, 170.0])) / np.pi, 6)
    1.0
    """
    around = np.sort(np.mod(angle_rad, 2 * np.pi))
    return float(np.max(np.diff(np.append(around, around[0] + 2 * np.pi))))
