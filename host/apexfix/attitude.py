"""From a unit's raw samples to where its tube pointed.

The unit knows "up" all the time and carries a heading from the backsight to the mark; this room turns its attitude at a
press, and the gyro samples around it, into elevations and headings.
Frames: docs/conventions.md.
"""

from dataclasses import dataclass

import numpy as np

from apexfix.geometry import angles
from apexfix.model import Stamps, Vector


@dataclass(frozen=True, slots=True)
class Stretch:
    """Calibrated samples around one press, in body axes, and what the unit itself knew."""

    t_us: Stamps  # (N,) on the unit, rising
    rate_rad_s: Vector  # (N, 3) offset removed
    force_g: Vector  # (N, 3)
    at_us: int  # the press, on the unit
    attitude_wxyz: Vector  # (4,) level_from_body at the sample nearest to the press
    sigma_turn: float  # of the gyroscope: which share of a turn may be missing, too much, or about another axis


@dataclass(frozen=True, slots=True)
class Pointing:
    """Where the tube pointed, in the level frame of one run of the unit."""

    t_us: Stamps  # (N,)
    heading_rad: Vector  # (N,) in [0, 2 pi)
    elevation_rad: Vector  # (N,) beyond pi/2 when the tube leaned back over the zenith


def pointing_of(level_from_body_wxyz: Vector, tube_body: Vector) -> tuple[Vector, Vector]:
    """Return heading and elevation of the tube, both (N,), for attitudes (N, 4) and one axis (3,) of the tube, or one for each.

    The tube has leaned over the zenith when its own upper side (body z) looks down; then the elevation is given beyond pi/2 and the
    heading stays that of the observer's chest, so that both run on smoothly.
    """
    heading, elevation = angles(turned(level_from_body_wxyz, tube_body))
    over = np.square(level_from_body_wxyz[:, 1:3]).sum(axis=1) > 0.5  # of body z, the level z is 1 - 2 (x^2 + y^2)
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
    """Return the N+1 products 1, s1, s1 s2, ... of (W, N, 4) quaternions: within blocks of root N, then over the blocks."""
    windows, count = len(steps), steps.shape[1] + 1
    block = int(np.ceil(np.sqrt(count)))
    padded = np.zeros((windows, block * block, 4))
    padded[..., 0] = 1.0
    padded[:, 1:count] = steps
    products = padded.reshape(windows, block, block, 4)
    for place in range(1, block):
        products[:, :, place] = product(products[:, :, place - 1], products[:, :, place])
    begun = np.zeros((windows, block, 4))
    begun[..., 0] = 1.0
    for place in range(1, block):
        begun[:, place] = product(begun[:, place - 1], products[:, place - 1, -1])
    return np.asarray(product(begun[:, :, None], products).reshape(windows, -1, 4)[:, :count])


def quaternions(turn_rad: Vector) -> Vector:
    """Return the quaternions (..., 4) of rotation vectors (..., 3)."""
    half = 0.5 * np.sqrt(np.einsum("...i,...i->...", turn_rad, turn_rad))
    found = np.empty((*half.shape, 4))
    found[..., 0] = np.cos(half)
    found[..., 1:] = 0.5 * turn_rad * np.sinc(half / np.pi)[..., None]
    return found


def matrices(wxyz: Vector) -> Vector:
    """Return the rotation matrices (..., 3, 3) of unit quaternions (..., 4)."""
    w, x, y, z = np.moveaxis(wxyz, -1, 0)
    found = np.empty((*w.shape, 3, 3))
    found[..., 0, 0] = 1 - 2 * (y * y + z * z)
    found[..., 0, 1] = 2 * (x * y - w * z)
    found[..., 0, 2] = 2 * (x * z + w * y)
    found[..., 1, 0] = 2 * (x * y + w * z)
    found[..., 1, 1] = 1 - 2 * (x * x + z * z)
    found[..., 1, 2] = 2 * (y * z - w * x)
    found[..., 2, 0] = 2 * (x * z - w * y)
    found[..., 2, 1] = 2 * (y * z + w * x)
    found[..., 2, 2] = 1 - 2 * (x * x + y * y)
    return found


def turned(wxyz: Vector, vector: Vector) -> Vector:
    """Return vectors (..., 3) turned by unit quaternions (..., 4): v + w t + q x t with t = 2 q x v."""
    w, x, y, z = np.moveaxis(wxyz, -1, 0)
    vx, vy, vz = np.moveaxis(vector, -1, 0)
    tx, ty, tz = 2 * (y * vz - z * vy), 2 * (z * vx - x * vz), 2 * (x * vy - y * vx)
    return np.stack([vx + w * tx + y * tz - z * ty, vy + w * ty + z * tx - x * tz, vz + w * tz + x * ty - y * tx], axis=-1)


def product(a: Vector, b: Vector) -> Vector:
    """Return the Hamilton product of quaternions (..., 4): first b, then a."""
    aw, ax, ay, az = np.moveaxis(a, -1, 0)
    bw, bx, by, bz = np.moveaxis(b, -1, 0)
    w = aw * bw - ax * bx - ay * by - az * bz
    found = np.empty((*w.shape, 4))
    found[..., 0] = w
    found[..., 1] = aw * bx + ax * bw + ay * bz - az * by
    found[..., 2] = aw * by - ax * bz + ay * bw + az * bx
    found[..., 3] = aw * bz + ax * by - ay * bx + az * bw
    return found


def upright_turn(level: Vector) -> Vector:
    """Return the quaternions (W, 4) of the shortest turns that bring vectors (W, 3) of any length up; those of no length stay."""
    sine = np.hypot(level[:, 0], level[:, 1])
    flat = np.where(sine > 0.0, sine, 1.0)
    # upside down, every way is as short
    axis = np.where(sine[:, None] > 0.0, np.stack([level[:, 1], -level[:, 0]], axis=1) / flat[:, None], [1.0, 0.0])
    half = 0.5 * np.arctan2(sine, level[:, 2])
    return np.column_stack([np.cos(half), axis * np.sin(half)[:, None], np.zeros(len(level))])
