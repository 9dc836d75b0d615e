"""The published ways from angles to a height, each by its name, to stand beside the least-squares fix.

Stations are (N, 3) east, north, up of the sighting axes from the pad; heights are above the pad. Every method raises
ReductionError where it does not apply, and says why.
"""

from collections.abc import Callable, Iterator
from contextlib import suppress
from itertools import combinations

import numpy as np

from apexfix.errors import ReductionError
from apexfix.geometry import angles, direction
from apexfix.model import Vector
from apexfix.reduce.closure import Closure
from apexfix.reduce.elevations import (
    STEEPEST_RAD,
    UNKNOWN,
    MethodResult,
    drift_solving_elevations,
    elevations_with_prior,
    mean_of_stations,
)
from apexfix.reduce.least_squares import Fixes, HorizontalPrior
from apexfix.reduce.observe import Observations
from apexfix.units import DEG

# Lines that cut at less than this have no crossing worth the name: one degree of pointing moves it by a tenth of its distance.
LEAST_CUT_RAD = 6 * DEG


# --- azimuth and elevation ------------------------------------------------------------------------------------------


def crossing_azimuths(station_m: Vector, azimuth_rad: Vector, elevation_rad: Vector) -> MethodResult:
    """Return the crossing of two azimuths in plan, at the mean of the heights that the two stations see there.

    Notes
    -----
    The sine rule in plan, then h_i = up_i + d_i tan E_i with the distance d_i of each station to the crossing, and the mean. Of
    more than two stations those two are taken that cut best: nearest to a right angle, neither of them under the model. To
    average all pairs would let the worst one spoil the height and its closure.
    """
    azimuth, elevation = _normal(azimuth_rad, elevation_rad)
    pairs = sorted(combinations(range(len(azimuth)), 2), key=lambda pair: -_cut(azimuth[list(pair)], elevation[list(pair)]))
    for pair in map(list, pairs):
        crossed = _cross(station_m[pair], azimuth[pair], elevation[pair])
        if crossed is not None:
            level, heights = crossed
            closure = Closure(float(heights.mean()), heights, None)
            return MethodResult("crossing azimuths, mean height", closure.altitude_m, level, closure, "both azimuths are right")
    raise ReductionError(
        f"no two azimuths cut at {LEAST_CUT_RAD / DEG:.0f} degrees or more in front of both observers; elevations must decide"
    )


def _cut(azimuth_rad: Vector, elevation_rad: Vector) -> float:
    """Return how well two stations cut, 0 to 1: the sine of the angle in plan, times the cosine of the steeper elevation."""
    return float(abs(np.sin(azimuth_rad[0] - azimuth_rad[1])) * np.cos(elevation_rad).min())


def _cross(station_m: Vector, azimuth_rad: Vector, elevation_rad: Vector) -> tuple[Vector, Vector] | None:
    """Return the crossing (2,) and the two heights there, None where it lies behind an observer or the lines hardly cut."""
    if abs(np.sin(azimuth_rad[0] - azimuth_rad[1])) < np.sin(LEAST_CUT_RAD):
        return None
    towards = np.stack([np.sin(azimuth_rad), np.cos(azimuth_rad)], axis=1)
    apart = station_m[1, :2] - station_m[0, :2]
    away = np.linalg.solve(np.stack([towards[0], -towards[1]], axis=1), apart)
    if (away <= 0).any():
        return None
    return station_m[0, :2] + away[0] * towards[0], station_m[:, 2] + away * np.tan(elevation_rad)


def perpendicular_distances(point_m: Vector, station_m: Vector, azimuth_rad: Vector, elevation_rad: Vector) -> Vector:
    """Return the distances (N,) of a point from the lines of sight."""
    towards, sight = direction(azimuth_rad, elevation_rad), point_m - station_m
    return np.asarray(np.linalg.norm(sight - np.einsum("ni,ni->n", sight, towards)[:, None] * towards, axis=-1))


def common_perpendicular(station_m: Vector, azimuth_rad: Vector, elevation_rad: Vector) -> MethodResult:
    """Return the point whose summed squared perpendicular distance from the lines of sight is least.

    Notes
    -----
    For two lines that point is the midpoint of their common perpendicular, and the gap is its length. For more, the gap is twice
    the largest distance, which for two is the same. (sum of I - d d^T) p = sum of (I - d d^T) s.
    """
    towards = direction(azimuth_rad, elevation_rad)
    projector = np.eye(3) - towards[:, :, None] * towards[:, None, :]
    matrix = projector.sum(axis=0)
    if len(towards) < 2 or np.linalg.eigvalsh(matrix)[0] < np.sin(LEAST_CUT_RAD) ** 2 / 2:
        raise ReductionError(f"the lines of sight cut at less than {LEAST_CUT_RAD / DEG:.0f} degrees; move the stations apart")
    point = np.linalg.solve(matrix, (projector @ station_m[:, :, None]).sum(axis=0))[:, 0]
    if (np.einsum("ni,ni->n", point - station_m, towards) <= 0).any():
        raise ReductionError("the lines of sight come nearest to one another behind an observer; look for a gross error")
    gap = 2 * float(perpendicular_distances(point, station_m, azimuth_rad, elevation_rad).max())
    height = float(point[2])
    closure = Closure(height, _heights_at(point, station_m, elevation_rad), gap)
    assumes = "a line of sight misses by as many metres far away as near by"
    return MethodResult("midpoint of the common perpendicular", height, point[:2], closure, assumes)


def four_angles(baseline_m: float, elevation_a_rad: float, base_a_rad: float, base_b_rad: float, elevation_b_rad: float) -> float:
    """Return the height above two stations from both elevations and both horizontal angles from the base.

    Notes
    -----
    h = L tan a tan d / (cos b tan d + cos c tan a) with the elevations a, d and the angles b, c between the base and the apex. The
    derivation is published for schools by NASA Glenn ("Altitude Equation Derivation"). It makes the distances along the base
    add up to L and ignores by how much the azimuths miss each other across it.

    Examples
    --------
    >>> round(four_angles(300.0, 45 * DEG, 60 * DEG, 60 * DEG, 45 * DEG), 6)
    300.0
    """
    a, d = np.tan(elevation_a_rad), np.tan(elevation_b_rad)
    below = np.cos(base_a_rad) * d + np.cos(base_b_rad) * a
    if below <= 1e-9 * (abs(a) + abs(d)) or a <= 0 or d <= 0:
        raise ReductionError("both azimuths run off the base; the four-angle formula needs an apex that lies between the stations")
    return float(baseline_m * a * d / below)


def four_angle_height(station_m: Vector, azimuth_rad: Vector, elevation_rad: Vector) -> MethodResult:
    """Return the four-angle height of exactly two stations, above their mean height."""
    if len(azimuth_rad) != 2:
        raise ReductionError(f"the four-angle formula takes two stations with azimuth and elevation, not {len(azimuth_rad)}")
    azimuth, elevation = _normal(azimuth_rad, elevation_rad)
    east, north = station_m[1, :2] - station_m[0, :2]
    base = np.arctan2(east, north)
    base_a, base_b = float(azimuth[0] - base), float(base + np.pi - azimuth[1])
    height = four_angles(float(np.hypot(east, north)), float(elevation[0]), base_a, base_b, float(elevation[1]))
    assumes = "the stations are level with each other and the azimuths meet"
    return MethodResult("four angles", height + float(station_m[:, 2].mean()), UNKNOWN, None, assumes)


def _normal(azimuth_rad: Vector, elevation_rad: Vector) -> tuple[Vector, Vector]:
    """Return the same directions with the elevation at most 90 degrees."""
    return angles(direction(azimuth_rad, elevation_rad))


def _heights_at(point_m: Vector, station_m: Vector, elevation_rad: Vector) -> Vector:
    """Return the heights that the elevations give at a point in plan."""
    steep = np.clip(np.minimum(elevation_rad, np.pi - elevation_rad), -STEEPEST_RAD, STEEPEST_RAD)
    return np.asarray(station_m[:, 2] + np.hypot(*(point_m[:2] - station_m[:, :2]).T) * np.tan(steep))


# --- side by side ---------------------------------------------------------------------------------------------------


def side_by_side(
    seen: Observations, prior: HorizontalPrior | None = None, elevations: Fixes | None = None
) -> Iterator[MethodResult]:
    """Yield what every method that applies makes of a flight.

    ``elevations`` is what :func:`elevations_alone` makes of them, where a day solved all its flights at once.
    """
    raised = np.isfinite(seen.elevation_rad)
    full = raised & np.isfinite(seen.azimuth_rad)
    low, sigma = seen.station_m[raised], seen.sigma_elevation_rad[raised]
    rays = seen.station_m[full], seen.azimuth_rad[full], seen.elevation_rad[full]
    elevation = seen.elevation_rad[raised]
    trials: list[Callable[[], MethodResult]] = [
        lambda: mean_of_stations(low, elevation),
        lambda: drift_solving_elevations(low, elevation, sigma, elevations),
        lambda: crossing_azimuths(*rays),
        lambda: common_perpendicular(*rays),
        lambda: four_angle_height(*rays),
    ]
    if prior is not None:
        trials.append(lambda: elevations_with_prior(low, elevation, sigma, prior))
    for trial in trials:
        with suppress(ReductionError):  # a method that does not apply has no height to show
            yield trial()
