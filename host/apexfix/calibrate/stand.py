"""A stand whose axis is not vertical: found by turning the unit through the horizon, taken out of angles read on the axis.

Whom it concerns: an azimuth that is read on the stand's axis, by an encoder or a graduated circle. A unit that measures gravity has
its elevation against gravity whatever it stands on, and carries its azimuth by gyroscope in a level frame: both are free of it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.calibrate.least_squares import raised
from apexfix.errors import CalibrationError
from apexfix.geometry import widest_gap_rad
from apexfix.model import Vector
from apexfix.units import DEG

_LEAST: Final = 4
_WIDEST_GAP_RAD: Final = 150.0 * DEG  # a fit over less than about half a turn takes a slant of the tube for a lean
_MOST_LEAN_RAD: Final = 10.0 * DEG
# Each way, of a stand that was set up by a small spirit level and not turned through the horizon; common practice.
SIGMA_LEVELLED_RAD: Final = 0.3 * DEG


@dataclass(frozen=True, slots=True)
class StandAxis:
    """Where the upper end of a stand's axis leans."""

    lean_rad: Vector  # (2,) towards angle 0 and towards angle 90 degrees of the axis
    covariance_rad2: Vector  # (2, 2)
    tube_rad: float  # angle of the clamped tube above the plane across the axis
    residual_rad: Vector  # (N,) of the elevations
    raised: float  # what the covariance's sigmas were multiplied with, because the elevations scatter more than was said


def levelled_axis() -> StandAxis:
    """Return what may be said of a stand that was set up by a spirit level and not turned through the horizon."""
    return StandAxis(np.zeros(2), np.eye(2) * SIGMA_LEVELLED_RAD**2, 0.0, np.zeros(0), 1.0)


def stand_axis(angle_rad: Vector, elevation_rad: Vector, sigma_elevation_rad: float) -> StandAxis:
    """Return the lean from the elevations that a clamped tube shows while the stand is turned.

    Parameters
    ----------
    angle_rad : (N,) array
        Turned about the axis, clockwise from above; a gyroscope's heading is as good, within the square of the lean.
    elevation_rad : (N,) array
        Against gravity. The tube must not move on the stand.
    sigma_elevation_rad : float
        Of one elevation.

    Raises
    ------
    CalibrationError
        There are too few directions, they leave out half of the horizon, or the stand leans too far to be one.

    Notes
    -----
    A tube at an angle b above the plane across an axis that leans by t towards the angle a is raised by
    sin E = sin b cos t - cos b sin t cos(angle - a), which is linear in a constant, a sine and a cosine.
    """
    _demand_round(angle_rad)
    design = np.column_stack([np.ones(len(angle_rad)), np.cos(angle_rad), np.sin(angle_rad)])
    sigma = np.cos(elevation_rad) * sigma_elevation_rad  # of the sine of an elevation
    weighted = design / sigma[:, None]
    found = np.linalg.lstsq(weighted, np.sin(elevation_rad) / sigma, rcond=None)[0]
    tube, tilt = _split(float(found[0]), float(np.hypot(found[1], found[2])))
    if tilt > _MOST_LEAN_RAD:
        raise CalibrationError(
            f"the elevations swing by {2 * tilt / DEG:.0f}° over a turn, at most {2 * _MOST_LEAN_RAD / DEG:.0f}° expected; "
            "level the stand by its bubble, clamp the tube, and turn it again"
        )
    residual = elevation_rad - np.arcsin(np.clip(design @ found, -1.0, 1.0))
    more = raised(float(np.sum((residual / sigma_elevation_rad) ** 2)), len(residual) - 3)
    covariance = np.linalg.inv(weighted.T @ weighted)[1:, 1:] * (more / np.cos(tube)) ** 2
    lean = -found[1:] / np.cos(tube) / np.sinc(tilt / np.pi)
    return StandAxis(lean, covariance, tube, residual, more)


def level_azimuth(axis: StandAxis, angle_rad: Vector, elevation_rad: Vector) -> Vector:
    """Return the (N,) azimuths, from the axis's zero, of a tube at angles of the axis and at elevations against gravity.

    Elevations beyond a quarter turn are those of a tube leaned back over the zenith. Near the zenith the lean enters by the tangent
    of the elevation, alike in both faces: no second sighting takes it out.
    """
    tilt = float(np.hypot(*axis.lean_rad))
    towards = float(np.arctan2(axis.lean_rad[1], axis.lean_rad[0]))
    beside = np.asarray(angle_rad) - towards
    above = _angle_above(np.asarray(elevation_rad), np.cos(tilt), np.sin(tilt) * np.cos(beside))
    along = np.cos(above) * np.cos(beside) * np.cos(tilt) + np.sin(above) * np.sin(tilt)
    across = np.cos(above) * np.sin(beside)
    over = np.asarray(elevation_rad) > np.pi / 2
    heading = np.arctan2(np.where(over, -across, across), np.where(over, -along, along))
    return np.asarray(np.mod(towards + heading, 2 * np.pi))


def sigma_turned(axis: StandAxis, angle_rad: Vector, elevation_rad: Vector) -> float:
    """Return the sigma that the lean's own uncertainty puts into the azimuth turned from the first of (2,) sights to the second."""
    slope = np.stack([np.sin(angle_rad), -np.cos(angle_rad)], axis=-1) * np.tan(elevation_rad)[..., None]
    lever = slope[1] - slope[0]
    return float(np.sqrt(lever @ axis.covariance_rad2 @ lever))


def _split(constant: float, swing: float) -> tuple[float, float]:
    """Return b and t, not negative, from sin b cos t and cos b sin t, whose sum is sin (b + t) and difference sin (b - t)."""
    total, difference = np.arcsin(np.clip([constant + swing, constant - swing], -1.0, 1.0))
    return float(total + difference) / 2, float(total - difference) / 2


def _angle_above(elevation_rad: Vector, rise: float, dip: Vector) -> Vector:
    """Return b from sin E = rise sin b - dip cos b, on the same side of the zenith as E."""
    sine = np.clip(np.sin(elevation_rad) / np.hypot(rise, dip), -1.0, 1.0)
    low = np.arcsin(sine)
    return np.asarray(np.where(elevation_rad > np.pi / 2, np.pi - low, low) + np.arctan2(dip, rise))


def _demand_round(angle_rad: Vector) -> None:
    if len(angle_rad) < _LEAST:
        raise CalibrationError(
            f"{len(angle_rad)} directions seen, {_LEAST} or more are needed; turn the stand by 45° between readings"
        )
    gap = widest_gap_rad(angle_rad)
    if gap > _WIDEST_GAP_RAD:
        raise CalibrationError(
            f"no reading in {gap / DEG:.0f}° of the horizon, at most {_WIDEST_GAP_RAD / DEG:.0f}° may be left out; "
            "turn the stand all the way round, by 45° between readings"
        )
