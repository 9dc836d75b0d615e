"""Why a flight has no position: found by the solver, told to a person."""

from collections.abc import Sequence
from enum import IntEnum
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from apexfix.geometry import direction
from apexfix.model import Vector
from apexfix.reduce.sightline import Mask, Sightlines
from apexfix.reduce.symmetric import SINGULAR, Six

# No model is seen from farther away; an iterate out there follows parallel rays.
FARTHEST_M = 1e6
# Stations nearer together than this are one place; a survey cannot tell them apart.
_SAME_PLACE_M = 1e-3
# Lines of sight that differ by less than this many sigmas of their difference are called parallel.
_PARALLEL_SIGMAS = 3
# A position known no better than half its distance has no first-order covariance, and its rays are parallel for every purpose.
_WORST_RELATIVE_SIGMA = 0.5
# Breadth of the stations' layout over its length below which elevations alone cannot tell left from right.
_NARROWEST_LAYOUT = 0.01


class Trouble(IntEnum):
    """Why a flight has no position."""

    NONE = 0
    NO_READING = 1
    TOO_FEW = 2  # fewer readings than unknowns
    ONE_PLACE = 3  # all readings come from one place
    IN_LINE = 4  # elevations only, from stations in one line: the position and its mirror image fit alike
    PARALLEL = 5  # the lines of sight do not cut one another within their noise
    BEHIND = 6  # they would meet behind an observer
    DIVERGED = 7  # no minimum was reached



def before(lines: Sightlines, has_prior: bool) -> NDArray[np.int8]:
    """Return what can be said before the iteration, (F,)."""
    if lines.east_m.shape[1] == 0:
        return np.full(lines.east_m.shape[0], Trouble.NO_READING, dtype=np.int8)
    used = lines.has_azimuth | lines.has_elevation
    quantities = lines.has_azimuth.sum(axis=1) + lines.has_elevation.sum(axis=1)
    rows, any_used = np.arange(used.shape[0]), np.argmax(used, axis=1)
    e, n, u = (np.where(used, s - s[rows, any_used][:, None], 0.0) for s in (lines.east_m, lines.north_m, lines.up_m))
    trouble = np.zeros(used.shape[0], dtype=np.int8)
    if not has_prior:
        count = np.maximum(used.sum(axis=1), 1)[:, None]
        e0, n0 = (np.where(used, s - s.sum(axis=1, keepdims=True) / count, 0.0) for s in (e, n))
        xx, yy, xy = (np.einsum("fn,fn->f", a, b) for a, b in ((e0, e0), (n0, n0), (e0, n0)))
        length2 = (xx + yy) / 2 + np.hypot((xx - yy) / 2, xy)
        breadth2 = np.maximum((xx + yy) - length2, 0.0)
        in_line = breadth2 <= _NARROWEST_LAYOUT**2 * length2
        trouble[in_line & ~lines.has_azimuth.any(axis=1)] = Trouble.IN_LINE
        trouble[np.maximum(np.maximum(np.abs(e), np.abs(n)), np.abs(u)).max(axis=1) < _SAME_PLACE_M] = Trouble.ONE_PLACE
    trouble[quantities < (1 if has_prior else 3)] = Trouble.TOO_FEW
    trouble[quantities == 0] = Trouble.NO_READING
    return trouble


def after(position_m: Vector, lines: Sightlines, inverse: Six, determinant: Vector, converged: Mask) -> NDArray[np.int8]:
    """Return what can be said of the end of the iteration, (F,)."""
    used = lines.has_azimuth | lines.has_elevation
    e, n, u = (position_m[i][:, None] - s for i, s in enumerate((lines.east_m, lines.north_m, lines.up_m)))
    range_m = np.where(used, np.sqrt(e * e + n * n + u * u), 0.0).sum(axis=1) / used.sum(axis=1)
    wide = np.sqrt(np.maximum(inverse[0] + inverse[1] + inverse[2], 0.0)) > _WORST_RELATIVE_SIGMA * range_m
    trouble = np.zeros(range_m.shape, dtype=np.int8)
    trouble[~converged] = Trouble.DIVERGED
    trouble[behind(position_m, lines)] = Trouble.BEHIND
    trouble[(determinant < SINGULAR) | wide | (np.abs(position_m).max(axis=0) > FARTHEST_M)] = Trouble.PARALLEL
    return trouble


def behind(position_m: Vector, lines: Sightlines) -> Mask:
    """Return where a (3, F) position lies more than 90 degrees from the line of sight of some station, (F,)."""
    e, n, u = (position_m[i][:, None] - s for i, s in enumerate((lines.east_m, lines.north_m, lines.up_m)))
    level = np.where(lines.has_elevation, np.cos(lines.elevation_rad), 1.0)
    ahead = np.where(lines.has_azimuth, e * lines.sine + n * lines.cosine, np.hypot(e, n))
    facing = level * ahead + np.where(lines.has_elevation, np.sin(lines.elevation_rad), 0.0) * u
    return np.asarray(((lines.has_azimuth | lines.has_elevation) & (facing < 0)).any(axis=1))


def near_parallel(names: Sequence[str], azimuth_rad: Vector, elevation_rad: Vector, sigma_rad: Vector) -> list[tuple[str, str]]:
    """Return the pairs of stations whose lines of sight, (N,) angles, are parallel within three sigmas of their difference."""
    seen = [i for i in range(len(names)) if np.isfinite(azimuth_rad[i]) and np.isfinite(elevation_rad[i])]
    towards = direction(np.nan_to_num(azimuth_rad), np.nan_to_num(elevation_rad))
    return [
        (names[i], names[j])
        for i, j in combinations(seen, 2)
        if np.linalg.norm(np.cross(towards[i], towards[j])) < _PARALLEL_SIGMAS * np.hypot(sigma_rad[i], sigma_rad[j])
    ]


def explain(trouble: Trouble, names: Sequence[str], azimuth_rad: Vector, elevation_rad: Vector, sigma_rad: Vector) -> str:
    """Return a sentence that says what is wrong with a flight and what would help; "" for no trouble.

    Parameters
    ----------
    names : (N,) sequence
        Of the stations.
    azimuth_rad, elevation_rad : (N,) array
        NaN where missing.
    sigma_rad : (N,) array
        Of the directions.
    """
    used = [name for name, a, e in zip(names, azimuth_rad, elevation_rad, strict=True) if np.isfinite(a) or np.isfinite(e)]
    listed = ", ".join(used) or "no station"
    pairs = near_parallel(names, azimuth_rad, elevation_rad, sigma_rad)
    parallel = ", ".join(f"{a} and {b}" for a, b in pairs)
    match trouble:
        case Trouble.NONE:
            return ""
        case Trouble.NO_READING:
            return "no station read this flight"
        case Trouble.TOO_FEW:
            return f"too few readings ({listed}); a position needs three angles, from two stations or more"
        case Trouble.ONE_PLACE:
            return f"all readings ({listed}) come from one place; a position needs two stations that stand apart"
        case Trouble.IN_LINE:
            return f"elevations only, and {listed} stand in one line: left and right of it fit alike; one azimuth would decide"
        case Trouble.PARALLEL if pairs:
            return f"the lines of sight of {parallel} are parallel within their noise; the height needs stations farther apart"
        case Trouble.PARALLEL if len(used) == 1:
            return f"the reading of {listed} holds for many heights; a height needs a station that stands away from the pad"
        case Trouble.PARALLEL:
            return f"the lines of sight of {listed} do not cut one another within their noise; the layout cannot tell the position"
        case Trouble.BEHIND:
            advice = "look for an azimuth turned by 180 degrees, or an elevation below the horizon"
            return f"the lines of sight of {listed} would meet behind an observer; {advice}"
        case Trouble.DIVERGED:
            return f"no position explains the readings of {listed}; look for a gross error"
