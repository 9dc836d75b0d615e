"""From a unit's raw samples to where its tube pointed.

The unit knows "up" all the time and carries a heading from the backsight to the mark; this room turns its attitude at a
press, and the gyro samples around it, into elevations and headings, and pairs of backsights into azimuths.
Frames: docs/conventions.md.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from apexfix.geometry import angles, wrapped
from apexfix.model import Stamps, Vector
from apexfix.units import DEG, US

# A part at rest for ten seconds and then carried: the spread of the heading's drift. A recorded MPU-6050 at rest drifts by 0.2 to
# 0.4 degrees in a minute; simulated ones that are tilted and warmed by a degree by 0.7, LSM6DSOX by 0.25 (bench/azimuth.py).
SIGMA_DRIFT_RAD_PER_S: Final = 0.5 * DEG / 60.0
# Between two backsights a linear share of the misclosure is taken out; what is left of drift and turns grows with the time to the
# nearer one. From the same bench, both parts, gyroscope calibrated; 0.13 degrees were left of five minutes at rest (recorded).
SIGMA_WANDER_RAD_PER_ROOT_S: Final = 0.05 * DEG
# Three times the spread of two backsights 90 s apart: beyond this something moved, or one of them was not on the target.
WARN_MISCLOSURE_SIGMA: Final = 3.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Calibrated samples around one press, in body axes, and what the unit itself knew."""

    t_us: Stamps  # (N,) on the unit, rising
    rate_rad_s: Vector  # (N, 3) offset removed
    force_g: Vector  # (N, 3)
    at_us: int  # the press, on the unit
    attitude_wxyz: Vector  # (4,) level_from_body at the sample nearest to the press
    sigma_scale: float  # of the gyroscope: how much of a turn may be missing or too much, over any axis


@dataclass(frozen=True, slots=True)
class Pointing:
    """Where the tube pointed, in the level frame of one run of the unit."""

    t_us: Stamps  # (N,)
    heading_rad: Vector  # (N,) in [0, 2 pi)
    elevation_rad: Vector  # (N,) beyond pi/2 when the tube leaned back over the zenith


@dataclass(frozen=True, slots=True)
class Backsight:
    """One sighting of the reference target."""

    t_us: int
    heading_rad: float


@dataclass(frozen=True, slots=True)
class HeadingZero:
    """What to add to a heading to get an azimuth, at one instant."""

    azimuth_minus_heading_rad: float
    sigma_rad: float
    misclosure_rad: float | None  # after minus before; None with one backsight


def pointing_of(level_from_body: Rotation, tube_body: Vector) -> tuple[Vector, Vector]:
    """Return heading and elevation of the tube, both (N,), for N attitudes and one axis (3,) of the tube, or one for each.

    The tube has leaned over the zenith when its own upper side (body z) looks down; then the elevation is given beyond pi/2 and the
    heading stays that of the observer's chest, so that both run on smoothly.
    """
    heading, elevation = angles(level_from_body.apply(tube_body))
    over = level_from_body.apply([0.0, 0.0, 1.0])[..., 2] < 0.0
    return np.where(over, np.mod(heading + np.pi, 2 * np.pi), heading), np.where(over, np.pi - elevation, elevation)


def integrated(time_s: Vector, rate_rad_s: Vector, known_wxyz: Vector) -> Vector:
    """Return the attitudes (level_from_body) that the gyro gives in windows of equal length, through one that is known.

    The rate between two samples is taken as their mean (trapezoid): the samples are stamped, so a gap costs accuracy, never time.

    Parameters
    ----------
    time_s : (W, N) array
        From the instant of the known attitude, which is that of the sample nearest to zero.
    rate_rad_s : (W, N, 3) array
        In body axes, offset removed.
    known_wxyz : (W, 4) array

    Returns
    -------
    (W, N, 4) array
        Quaternions, w x y z.
    """
    turn = 0.5 * (rate_rad_s[:, 1:] + rate_rad_s[:, :-1]) * np.diff(time_s, axis=1)[..., None]
    from_first = _running_product(quaternions(turn))
    anchor = np.argmin(np.abs(time_s), axis=1)
    back = from_first[np.arange(len(anchor)), anchor] * [1.0, -1.0, -1.0, -1.0]
    return product(product(known_wxyz, back)[:, None], from_first)


def _running_product(steps: Vector) -> Vector:
    """Return the N+1 products 1, s1, s1 s2, ... of (W, N, 4) quaternions in log2 N vectorised passes."""
    one = np.broadcast_to([1.0, 0.0, 0.0, 0.0], (len(steps), 1, 4))
    products = np.concatenate([one, steps], axis=1)
    shift = 1
    while shift < products.shape[1]:
        products = np.concatenate([products[:, :shift], product(products[:, :-shift], products[:, shift:])], axis=1)
        shift *= 2
    return products


def quaternions(turn_rad: Vector) -> Vector:
    """Return the quaternions (..., 4) of rotation vectors (..., 3)."""
    half = 0.5 * np.sqrt(np.einsum("...i,...i->...", turn_rad, turn_rad))[..., None]
    return np.concatenate([np.cos(half), 0.5 * turn_rad * np.sinc(half / np.pi)], axis=-1)


def product(a: Vector, b: Vector) -> Vector:
    """Return the Hamilton product of quaternions (..., 4): first b, then a."""
    aw, ax, ay, az = np.moveaxis(a, -1, 0)
    bw, bx, by, bz = np.moveaxis(b, -1, 0)
    return np.stack([
        aw * bw - ax * bx - ay * by - az * bz,
        aw * bx + ax * bw + ay * bz - az * by,
        aw * by - ax * bz + ay * bw + az * bx,
        aw * bz + ax * by - ay * bx + az * bw,
    ], axis=-1)  # fmt: skip


def heading_zero(
    backsights: Sequence[Backsight], reference_azimuth_rad: float, at_us: int, sigma_backsight_rad: float
) -> HeadingZero | None:
    """Return the heading's zero at one instant from the backsights of the same run, or None where there is none.

    With a backsight before and one after, the misclosure is spread linearly over the time between them, which removes a steady gyro
    offset; with one, the zero is that backsight's and the sigma grows with the time since.

    Parameters
    ----------
    backsights : sequence
        All of one run, in any order; the last before and the first after the instant are used.
    sigma_backsight_rad : float
        How well one press points at the target.
    """
    before = max((b for b in backsights if b.t_us <= at_us), key=lambda b: b.t_us, default=None)
    after = min((b for b in backsights if b.t_us > at_us), key=lambda b: b.t_us, default=None)
    if before is not None and after is not None:
        return _closed_zero(before, after, reference_azimuth_rad, at_us, sigma_backsight_rad)
    one = before or after
    if one is None:
        return None
    elapsed_s = abs(at_us - one.t_us) * US
    sigma = float(np.hypot(sigma_backsight_rad, SIGMA_DRIFT_RAD_PER_S * elapsed_s))
    return HeadingZero(float(wrapped(reference_azimuth_rad - one.heading_rad)), sigma, None)


def _closed_zero(before: Backsight, after: Backsight, azimuth_rad: float, at_us: int, sigma_rad: float) -> HeadingZero:
    share = (at_us - before.t_us) / (after.t_us - before.t_us)
    misclosure = float(wrapped(before.heading_rad - after.heading_rad))
    nearer_s = min(at_us - before.t_us, after.t_us - at_us) * US
    pointing = sigma_rad * float(np.hypot(1.0 - share, share))
    sigma = float(np.hypot(pointing, SIGMA_WANDER_RAD_PER_ROOT_S * np.sqrt(nearer_s)))
    return HeadingZero(float(wrapped(azimuth_rad - before.heading_rad + share * misclosure)), sigma, misclosure)


def misclosure_limit_rad(sigma_backsight_rad: float, elapsed_s: float) -> float:
    """Return the misclosure beyond which a pair of backsights is not to be believed without a look."""
    return WARN_MISCLOSURE_SIGMA * float(np.hypot(np.sqrt(2.0) * sigma_backsight_rad, SIGMA_DRIFT_RAD_PER_S * elapsed_s))
