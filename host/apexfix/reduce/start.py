"""Where the iteration begins: closed forms that are near enough to the least-squares position, for many flights at once."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from apexfix.model import Vector
from apexfix.reduce.descent import Held, held, normal
from apexfix.reduce.sightline import Mask, Sightlines, linearise
from apexfix.reduce.symmetric import SINGULAR, scaled_inverse, times

# A tangent beyond this is a line of sight within 0.06 degrees of the zenith; it only spoils a starting value.
_STEEPEST_TANGENT = 1e3
# Spread up to which rays have a point nearest to them all: two that cut at the angle d have 2 / d^2, here two degrees.
MOST_SPREAD = 1600.0
# Along a single full line of sight: level distances to try, in mean distances between that station and the others.
_TRIALS_ALONG_A_RAY = 0.05 * 1.5 ** np.arange(15)


def begin(lines: Sightlines, prior: Held | None) -> Vector:
    """Return (3, F) starting positions: the best of the closed forms that apply."""
    rays = lines.has_azimuth & lines.has_elevation
    position, spread = nearest_to_rays(lines, rays)
    crossing = (rays.sum(axis=1) > 1) & np.isfinite(spread)
    one = np.flatnonzero(rays.any(axis=1) & ~crossing)
    if one.size:
        position[:, one] = _first_on_a_ray(lines.take(one), held(prior, one))
    none = np.flatnonzero(~rays.any(axis=1))
    if none.size:
        position[:, none] = _from_cones(lines.take(none), held(prior, none))
    return position


def _first_on_a_ray(lines: Sightlines, prior: Held | None) -> Vector:
    trials = np.stack(along_a_ray(lines))
    best = first_minimum(np.stack([normal(linearise(trial, lines), trial, prior)[2] for trial in trials]))
    return trials[best, :, np.arange(best.size)].T


def _from_cones(lines: Sightlines, prior: Held | None) -> Vector:
    """Return the best trial; of the two points where the cones meet, the outer one needs a prior to speak for it."""
    inner, outer = on_the_cones(circle(lines))
    middle = over_the_middle(lines, None if prior is None else prior[0])
    if prior is None:
        return np.where(lines.has_elevation.sum(axis=1) > 2, inner, middle)
    trials = np.stack([inner, middle, outer])
    best = np.argmin(np.stack([normal(linearise(trial, lines), trial, prior)[2] for trial in trials]), axis=0)
    return trials[best, :, np.arange(best.size)].T


def nearest_to_rays(lines: Sightlines, used: Mask) -> tuple[Vector, Vector]:
    """Return the (3, F) points of least summed squared perpendicular distance, and how badly the rays hold each.

    A ray through s along the unit vector d contributes (I - d d^T)(x - s) to the normal equations. For two rays the
    solution is the midpoint of their common perpendicular. The second answer (F,) is the trace of the inverse normal matrix: the
    variance of the point where each ray misses by one; infinite where the rays are parallel.
    """
    level = np.cos(lines.elevation_rad)
    d = (level * lines.sine, level * lines.cosine, np.sin(lines.elevation_rad))
    s = (lines.east_m, lines.north_m, lines.up_m)
    w = used.astype(np.float64)
    along = s[0] * d[0] + s[1] * d[1] + s[2] * d[2]
    right = tuple(np.einsum("fn,fn->f", w, s[i] - along * d[i]) for i in range(3))
    matrix = tuple(
        np.einsum("fn,fn->f", w, float(i == j) - d[i] * d[j]) for i, j in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
    )
    inverse, determinant = scaled_inverse(matrix)
    spread = np.where(determinant >= SINGULAR, inverse[0] + inverse[1] + inverse[2], np.inf)
    return times(inverse, right), spread


def over_the_middle(lines: Sightlines, prior_mean_m: Vector | None) -> Vector:
    """Return (3, F): above the drift that the prior expects, else above the middle of the stations, at the mean of L tan E."""
    count = np.maximum(lines.has_elevation.sum(axis=1), 1)
    if prior_mean_m is None:
        east, north = (np.where(lines.has_elevation, s, 0.0).sum(axis=1) / count for s in (lines.east_m, lines.north_m))
    else:
        east, north = prior_mean_m[:, 0], prior_mean_m[:, 1]
    tangent = np.minimum(np.abs(np.tan(lines.elevation_rad)), _STEEPEST_TANGENT)
    height = lines.up_m + np.hypot(east[:, None] - lines.east_m, north[:, None] - lines.north_m) * tangent
    return np.stack([east, north, np.where(lines.has_elevation, height, 0.0).sum(axis=1) / count])


def along_a_ray(lines: Sightlines) -> list[Vector]:
    """Return trial points (3, F) each, nearest first, on the first full line of sight of each flight."""
    rows = np.arange(lines.east_m.shape[0])
    first = np.argmax(lines.has_azimuth & lines.has_elevation, axis=1)
    east, north, up = (s[rows, first] for s in (lines.east_m, lines.north_m, lines.up_m))
    used = lines.has_azimuth | lines.has_elevation
    away = np.where(used, np.hypot(lines.east_m - east[:, None], lines.north_m - north[:, None]), 0.0)
    scale = np.maximum(away.sum(axis=1) / np.maximum(used.sum(axis=1) - 1, 1), 1.0)
    sine, cosine = lines.sine[rows, first], lines.cosine[rows, first]
    tangent = np.clip(np.tan(lines.elevation_rad[rows, first]), -_STEEPEST_TANGENT, _STEEPEST_TANGENT)
    side = np.where(tangent < 0, -1.0, 1.0)  # a reading beyond 90 degrees leans back, and still looks up
    return [
        np.stack([east + side * k * scale * sine, north + side * k * scale * cosine, up + k * scale * np.abs(tangent)])
        for k in _TRIALS_ALONG_A_RAY
    ]


def first_minimum(chi2: Vector) -> NDArray[np.intp]:
    """Return the first of (K, F) trials that is no worse than the next, (F,).

    A cone and a ray meet twice or not at all; the second meeting is the farther one, often far outside the stations.
    """
    rising = np.concatenate([chi2[:-1] <= chi2[1:], np.ones((1, chi2.shape[1]), dtype=bool)])
    return np.asarray(np.argmax(rising, axis=0))


class Circle(NamedTuple):
    """What three or more elevations say, with H the height above the stations' mean height: east, north and R = east^2 + north^2,
    all from the stations' middle, are slope * H^2 + offset. The offset alone is the circle through the stations."""

    slope: Vector  # (3, F)
    offset: Vector  # (3, F)
    middle: tuple[Vector, Vector, Vector]  # (F,) each
    radius2: Vector  # (F,) of the circle, m2


def circle(lines: Sightlines) -> Circle:
    """Fit cones and circle by linear least squares.

    With k = cot^2 E each cone says -2 x x_i - 2 y y_i + R + x_i^2 + y_i^2 = k_i H^2: linear in x, y and R for a given H^2.
    """
    used = lines.has_elevation.astype(np.float64)
    count = np.maximum(used.sum(axis=1), 1)
    middle = tuple((used * s).sum(axis=1) / count for s in (lines.east_m, lines.north_m, lines.up_m))
    e, n = (used * (s - m[:, None]) for s, m in zip((lines.east_m, lines.north_m), middle[:2], strict=True))
    cot2 = used * np.tan(np.pi / 2 - np.clip(np.abs(lines.elevation_rad), 1e-3, np.pi - 1e-3)) ** 2
    ee, nn, en = (np.einsum("fn,fn->f", a, b) for a, b in ((e, e), (n, n), (e, n)))
    nothing = np.zeros_like(ee)
    inverse, _ = scaled_inverse((4 * ee, 4 * nn, count.astype(np.float64), 4 * en, nothing, nothing))

    def fitted(values: Vector) -> Vector:
        return times(inverse, (-2 * (e * values).sum(axis=1), -2 * (n * values).sum(axis=1), (used * values).sum(axis=1)))

    offset = fitted(-(e * e + n * n))
    radius2 = offset[0] ** 2 + offset[1] ** 2 - offset[2]
    return Circle(fitted(cot2), offset, (middle[0], middle[1], middle[2]), radius2)


def on_the_cones(ring: Circle) -> tuple[Vector, Vector]:
    """Return the two points (3, F) where the cones of three or more elevations meet, the inner one first.

    R = x^2 + y^2 is a quadratic in H^2. For equally spaced stations its smaller root is the closed form in
    :func:`apexfix.reduce.elevations.equally_spaced_elevations`.
    """
    slope, offset = ring.slope, ring.offset
    a = slope[0] ** 2 + slope[1] ** 2
    b = 2 * (slope[0] * offset[0] + slope[1] * offset[1]) - slope[2]
    root = np.sqrt(np.maximum(b * b - 4 * a * ring.radius2, 0.0))
    half = -b + root
    inner = 2 * ring.radius2 / np.where(half > 0, half, 1.0)
    outer = half / np.where(a > 0, 2 * a, 1.0)
    return _at(ring, inner), _at(ring, outer)


def _at(ring: Circle, height2: Vector) -> Vector:
    height2 = np.clip(height2, 1.0, 1e12)
    east, north = (ring.slope[i] * height2 + ring.offset[i] + ring.middle[i] for i in range(2))
    return np.stack([east, north, np.sqrt(height2) + ring.middle[2]])


def inverted(position_m: Vector, ring: Circle) -> tuple[Vector, Mask]:
    """Return the inverse points of (3, F) positions in the stations' circle, and which positions lie outside it.

    Level stations on one circle (three always are) see both points at the same elevations: they lie on one ray from the centre, at
    distances whose product is the radius squared, at heights in proportion to those distances' square roots.
    """
    centre = [ring.offset[i] + ring.middle[i] for i in range(2)]
    away = [position_m[i] - centre[i] for i in range(2)]
    away2 = away[0] ** 2 + away[1] ** 2
    outside = (ring.radius2 > 0) & (away2 > ring.radius2)
    factor = np.where(outside, ring.radius2 / np.where(outside, away2, 1.0), 1.0)
    up = (position_m[2] - ring.middle[2]) * np.sqrt(factor) + ring.middle[2]
    return np.stack([centre[0] + factor * away[0], centre[1] + factor * away[1], up]), outside
