"""Where the iteration begins: closed forms that are near enough to the least-squares position, for many flights at once."""

import numpy as np

from apexfix.model import Vector
from apexfix.reduce.sightline import Mask, Sightlines
from apexfix.reduce.symmetric import scaled_inverse, times

# A tangent beyond this is a line of sight within 0.06 degrees of the zenith; it only spoils a starting value.
_STEEPEST_TANGENT = 1e3
# Along a single full line of sight: level distances to try, in mean distances between that station and the others.
_TRIALS_ALONG_A_RAY = (0.1, 0.3, 0.6, 1.0, 1.5, 2.5, 5.0)


def nearest_to_rays(lines: Sightlines, used: Mask) -> tuple[Vector, Vector]:
    """Return the (3, F) points of least summed squared perpendicular distance, and the scaled determinant (F,) of each.

    A ray through s along the unit vector d contributes (I - d d^T)(x - s) to the normal equations. For two rays the
    solution is the midpoint of their common perpendicular. Where the rays are parallel the determinant is 0.
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
    return times(inverse, right), determinant


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
    """Return trial points (3, F) each, on the first full line of sight of each flight."""
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


def on_the_cones(lines: Sightlines) -> list[Vector]:
    """Return the two points (3, F) where the cones of three or more elevations meet, in the sense of least squares.

    With k = cot^2 E and the height H above the mean height of the stations, each cone says
    -2 x x_i - 2 y y_i + (x^2 + y^2) + x_i^2 + y_i^2 = k_i H^2. That is linear in x, y and R = x^2 + y^2 for a given H^2, so
    each is a straight function of H^2; R = x^2 + y^2 is then a quadratic in H^2. For equally spaced stations this is the
    closed form in :func:`apexfix.reduce.methods.equally_spaced_elevations`.

    Stations on one circle (three always are) cannot tell the two points apart: they lie on one ray from the circle's centre, one
    inside and one outside, at distances whose product is the circle's radius squared. The inner one, which comes first, is lower.
    """
    used = lines.has_elevation.astype(np.float64)
    count = np.maximum(used.sum(axis=1), 1)
    middle = [(used * s).sum(axis=1) / count for s in (lines.east_m, lines.north_m, lines.up_m)]
    e, n = (used * (s - m[:, None]) for s, m in zip((lines.east_m, lines.north_m), middle[:2], strict=True))
    cot2 = used * np.tan(np.pi / 2 - np.clip(np.abs(lines.elevation_rad), 1e-3, np.pi - 1e-3)) ** 2
    sums = [np.einsum("fn,fn->f", a, b) for a, b in ((e, e), (n, n), (e, n))]
    matrix = (4 * sums[0], 4 * sums[1], count.astype(np.float64), 4 * sums[2], np.zeros_like(count), np.zeros_like(count))
    inverse, _ = scaled_inverse(matrix)
    radius2 = e * e + n * n

    def fitted(values: Vector) -> Vector:
        right = (-2 * (e * values).sum(axis=1), -2 * (n * values).sum(axis=1), (used * values).sum(axis=1))
        return times(inverse, right)

    slope, offset = fitted(cot2), fitted(-radius2)
    a = slope[0] ** 2 + slope[1] ** 2
    b = 2 * (slope[0] * offset[0] + slope[1] * offset[1]) - slope[2]
    c = offset[0] ** 2 + offset[1] ** 2 - offset[2]
    root = np.sqrt(np.maximum(b * b - 4 * a * c, 0.0))
    half = -b + root
    near = 2 * c / np.where(half > 0, half, 1.0)
    far = half / np.where(a > 0, 2 * a, 1.0)
    points = []
    for squared in (near, far):
        squared = np.clip(squared, 1.0, 1e12)
        level = [slope[i] * squared + offset[i] + middle[i] for i in range(2)]
        points.append(np.stack([*level, np.sqrt(squared) + middle[2]]))
    return points
