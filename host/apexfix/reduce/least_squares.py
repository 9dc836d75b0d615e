"""Positions by weighted least squares, for one flight or a hundred thousand."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.reduce import start
from apexfix.reduce.sightline import Linearised, Mask, Sightlines, linearise, misclosure
from apexfix.reduce.symmetric import SINGULAR, Six, full, scaled_inverse, times
from apexfix.reduce.trouble import FARTHEST_M, Trouble, after, before
from apexfix.units import EARTH_RADIUS_M

# Flights solved together: small enough for the working arrays to stay in the processor's cache, and for memory to be the
# answer's alone.
_CHUNK = 4096
_MOST_ITERATIONS = 60
# Relative to the distance from the stations: 1e-6 m is asked for at some 500 m, and the last step only bounds the error.
_STEP_TOLERANCE = 1e-10
_LEAST_DAMPING = 1e-4
_MOST_DAMPING = 1e8


@dataclass(frozen=True, slots=True)
class HorizontalPrior:
    """What is believed about the drift before any reading: a normal distribution of east and north."""

    mean_m: Vector  # (2,) or (F, 2)
    covariance_m2: Vector  # (2, 2) or (F, 2, 2)


@dataclass(frozen=True, slots=True)
class Fixes:
    """Positions of F flights with their first-order covariance. Numbers are NaN where a flight is not solved."""

    position_m: Vector  # (F, 3)
    covariance_m2: Vector  # (F, 3, 3)
    residual_rad: Vector  # (F, N, 2) azimuth and elevation, reading less prediction; NaN where missing
    chi2: Vector  # (F,) weighted sum of squares, the prior's included
    prior_share: Vector  # (F,) share of the height's variance that comes from the prior, 0 without one
    trouble: NDArray[np.int8]  # (F,) a Trouble

    @property
    def solved(self) -> Mask:
        """(F,)"""
        return np.asarray(self.trouble == Trouble.NONE)


def curvature_per_m(refraction: float = 0.13) -> float:
    """Return what the Earth's curvature less refraction takes from an apparent height, per squared metre of distance.

    Notes
    -----
    (1 - k) D^2 / 2R with the coefficient of refraction k of geodetic levelling.

    Examples
    --------
    >>> round(1000.0**2 * curvature_per_m(), 4)
    0.0683
    """
    return (1 - refraction) / (2 * EARTH_RADIUS_M)


def fix_many(
    azimuth_rad: Vector,
    elevation_rad: Vector,
    station_m: Vector,
    sigma_azimuth_rad: Vector | float,
    sigma_elevation_rad: Vector | float,
    *,
    prior: HorizontalPrior | None = None,
    curvature_per_m: float = 0.0,
) -> Fixes:
    """Solve the positions of many flights, each from the readings of the same number of stations.

    Parameters
    ----------
    azimuth_rad, elevation_rad : (F, N) array
        NaN where missing. An elevation may exceed pi/2.
    station_m : (N, 3) or (F, N, 3) array
        East, north, up of the sighting axes.
    sigma_azimuth_rad, sigma_elevation_rad : float, (N,) or (F, N) array
        Of the readings; that of an azimuth acts as sigma * cos(elevation) across the line of sight.
    prior : HorizontalPrior, optional
        Of the drift. With it, one or two elevation-only stations can be solved.
    curvature_per_m : float
        0 for a flat Earth, else :func:`curvature_per_m`.

    Raises
    ------
    ReductionError
        Shapes that do not fit, or a sigma that is not positive where there is a reading.

    Notes
    -----
    Levenberg-Marquardt with damping per flight, the Jacobian of :mod:`apexfix.reduce.sightline`, and closed-form starting values.
    The covariance is the inverse of the information matrix J^T W J at the solution.
    """
    azimuth, elevation = np.atleast_2d(np.asarray(azimuth_rad, np.float64)), np.atleast_2d(np.asarray(elevation_rad, np.float64))
    if azimuth.shape != elevation.shape or azimuth.ndim != 2:
        raise ReductionError(
            f"azimuths of shape {azimuth.shape} and elevations of shape {elevation.shape}; both must be (flights, stations)"
        )
    flights, stations = azimuth.shape
    try:
        place = np.broadcast_to(np.asarray(station_m, np.float64), (flights, stations, 3))
        sigma_a = np.broadcast_to(np.asarray(sigma_azimuth_rad, np.float64), azimuth.shape)
        sigma_e = np.broadcast_to(np.asarray(sigma_elevation_rad, np.float64), azimuth.shape)
    except ValueError as error:
        raise ReductionError(f"stations or sigmas do not fit {flights} flights of {stations} stations: {error}") from error
    _demand_positive(sigma_a, azimuth, "azimuth")
    _demand_positive(sigma_e, elevation, "elevation")
    mean, precision = _prior_arrays(prior, flights)

    answer = _empty(flights, stations)
    for first in range(0, flights, _CHUNK):
        part = slice(first, first + _CHUNK)
        lines = sightlines(azimuth[part], elevation[part], place[part], sigma_a[part], sigma_e[part], curvature_per_m)
        _solve(lines, None if mean is None or precision is None else (mean[part], precision[part]), answer, first)
    return answer


def sightlines(
    azimuth_rad: Vector, elevation_rad: Vector, station_m: Vector, sigma_azimuth_rad: Vector, sigma_elevation_rad: Vector,
    curvature_per_m: float = 0.0,
) -> Sightlines:
    """Return the readings in the form that the iteration uses; (F, N) arrays, stations (F, N, 3), NaN where missing."""
    has_a, has_e = np.isfinite(azimuth_rad), np.isfinite(elevation_rad)
    azimuth = np.where(has_a, azimuth_rad, 0.0)
    elevation = np.where(has_e, elevation_rad, 0.0)
    folded = ~has_a & (elevation > np.pi / 2)
    weight_a = has_a / np.where(has_a, sigma_azimuth_rad, 1.0)
    weight_e = has_e / np.where(has_e, sigma_elevation_rad, 1.0)
    zenith = np.where(has_e, sigma_elevation_rad, np.where(has_a, sigma_azimuth_rad, 1.0))
    east, north, up = (np.ascontiguousarray(station_m[..., i]) for i in range(3))
    return Sightlines(
        east, north, up, np.sin(azimuth), np.cos(azimuth), np.where(folded, np.pi - elevation, elevation),
        weight_a, weight_e, zenith, folded, curvature_per_m,
    )  # fmt: skip


# --- the iteration --------------------------------------------------------------------------------------------------

_Prior = tuple[Vector, Vector]  # mean (F, 2), precision (F, 2, 2)


def _solve(lines: Sightlines, prior: _Prior | None, answer: Fixes, first: int) -> None:
    """Fill the rows of an answer from `first` on."""
    trouble = before(lines, prior is not None)
    able = np.flatnonzero(trouble == Trouble.NONE)
    if able.size:
        used = lines.take(able)
        held = None if prior is None else (prior[0][able], prior[1][able])
        position, converged = _iterate(_begin(used, held), used, held)
        last = linearise(position, used)
        matrix, _, chi2 = _normal(last, position, held)
        inverse, determinant = scaled_inverse(matrix)
        trouble[able] = after(position, used, inverse, determinant, converged)
        good = trouble[able] == Trouble.NONE
        rows = first + able[good]
        answer.position_m[rows] = position.T[good]
        covariance = full(inverse)[good]
        answer.covariance_m2[rows] = covariance
        answer.residual_rad[rows] = misclosure(position, used)[good]
        answer.chi2[rows] = chi2[good]
        if held is not None:
            lever = covariance[:, 2, :2]
            answer.prior_share[rows] = np.einsum("fi,fij,fj->f", lever, held[1][good], lever) / covariance[:, 2, 2]
        else:
            answer.prior_share[rows] = 0.0
    answer.trouble[first : first + trouble.size] = trouble


def _begin(lines: Sightlines, prior: _Prior | None) -> Vector:
    """Return (3, F) starting positions: the best of the closed forms that apply.

    Of the two points where the cones of elevations meet, the outer one is only tried when there is a prior to speak for it.
    """
    rays = lines.has_azimuth & lines.has_elevation
    position, determinant = start.nearest_to_rays(lines, rays)
    poor = np.flatnonzero((rays.sum(axis=1) < 2) | (determinant < SINGULAR))
    if poor.size:
        some = lines.take(poor)
        held = None if prior is None else (prior[0][poor], prior[1][poor])
        inner, outer = start.on_the_cones(some)
        trials = [inner, start.over_the_middle(some, None if held is None else held[0]), *start.along_a_ray(some)]
        if held is not None:
            trials.append(outer)
        chi2 = np.stack([_normal(linearise(trial, some), trial, held)[2] for trial in trials])
        if held is None:
            chi2[1:, ~some.has_azimuth.any(axis=1)] = np.inf
        position[:, poor] = np.stack(trials)[np.argmin(chi2, axis=0), :, np.arange(poor.size)].T
    return position


def _normal(seen: Linearised, position_m: Vector, prior: _Prior | None) -> tuple[Six, tuple[Vector, Vector, Vector], Vector]:
    """Return the information matrix, the right-hand side and the weighted sum of squares."""
    a, e = seen.across_gradient, seen.along_gradient

    def summed(i: int, j: int) -> Vector:
        total: Vector = np.einsum("fn,fn->f", a[i], a[j]) + np.einsum("fn,fn->f", e[i], e[j])
        return total

    def pulled(i: int) -> Vector:
        total: Vector = np.einsum("fn,fn->f", a[i], seen.across) + np.einsum("fn,fn->f", e[i], seen.along)
        return total

    xx, yy, zz, xy, xz, yz = (summed(*pair) for pair in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)))
    x, y, z = (pulled(i) for i in range(3))
    chi2 = np.einsum("fn,fn->f", seen.across, seen.across) + np.einsum("fn,fn->f", seen.along, seen.along)
    if prior is not None:
        away, p = prior[0] - position_m[:2].T, prior[1]
        force = np.einsum("fij,fj->fi", p, away)
        xx, yy, xy = xx + p[:, 0, 0], yy + p[:, 1, 1], xy + p[:, 0, 1]
        x, y = x + force[:, 0], y + force[:, 1]
        chi2 = chi2 + np.einsum("fi,fi->f", away, force)
    return (xx, yy, zz, xy, xz, yz), (x, y, z), chi2


def _iterate(position_m: Vector, lines: Sightlines, prior: _Prior | None) -> tuple[Vector, Mask]:
    """Return the minima (3, F) and whether each was reached."""
    flights = position_m.shape[1]
    answer, converged = position_m.copy(), np.zeros(flights, dtype=bool)
    index = np.arange(flights)
    now = position_m
    matrix, right, chi2 = _normal(linearise(now, lines), now, prior)
    damping = np.zeros(flights)
    for _ in range(_MOST_ITERATIONS):
        inverse, determinant = scaled_inverse(matrix, damping)
        step = times(inverse, right)
        scale = np.abs(now).max(axis=0) + 1.0
        size = np.abs(step).max(axis=0)
        stuck = determinant < SINGULAR
        trial = now + np.where(size > scale, scale / np.where(size > 0, size, 1.0), 1.0) * step
        new_matrix, new_right, new_chi2 = _normal(linearise(trial, lines), trial, prior)
        small = (size <= _STEP_TOLERANCE * scale) & ~stuck
        better = (new_chi2 < chi2) & ~stuck
        now = np.where(better | small, trial, now)
        matrix = tuple(np.where(better, a, b) for a, b in zip(new_matrix, matrix, strict=True))  # type: ignore[assignment]
        right = tuple(np.where(better, a, b) for a, b in zip(new_right, right, strict=True))  # type: ignore[assignment]
        chi2 = np.where(better, new_chi2, chi2)
        damping = np.where(better, np.where(damping > _LEAST_DAMPING, damping / 10, 0.0), np.maximum(10 * damping, _LEAST_DAMPING))
        lost = (damping > _MOST_DAMPING) | (np.abs(now).max(axis=0) > FARTHEST_M)
        done = small | lost
        if done.any():
            answer[:, index[done]], converged[index[done]] = now[:, done], small[done]
            going = np.flatnonzero(~done)
            if not going.size:
                break
            index, now, damping, chi2 = index[going], now[:, going], damping[going], chi2[going]
            matrix = tuple(m[going] for m in matrix)  # type: ignore[assignment]
            right = (right[0][going], right[1][going], right[2][going])
            lines = lines.take(going)
            prior = None if prior is None else (prior[0][going], prior[1][going])
    else:
        answer[:, index] = now
    return answer, converged


# --- the edges ------------------------------------------------------------------------------------------------------


def _empty(flights: int, stations: int) -> Fixes:
    return Fixes(
        position_m=np.full((flights, 3), np.nan),
        covariance_m2=np.full((flights, 3, 3), np.nan),
        residual_rad=np.full((flights, stations, 2), np.nan),
        chi2=np.full(flights, np.nan),
        prior_share=np.full(flights, np.nan),
        trouble=np.zeros(flights, dtype=np.int8),
    )


def _demand_positive(sigma_rad: Vector, reading_rad: Vector, quantity: str) -> None:
    wrong = np.isfinite(reading_rad) & ~(sigma_rad > 0)
    if wrong.any():
        flight, station = (int(i) for i in np.argwhere(wrong)[0])
        raise ReductionError(
            f"the {quantity} of flight {flight}, station {station} has the sigma {sigma_rad[flight, station]}; "
            "a reading needs a sigma above 0"
        )


def _prior_arrays(prior: HorizontalPrior | None, flights: int) -> tuple[Vector | None, Vector | None]:
    if prior is None:
        return None, None
    mean = np.broadcast_to(np.asarray(prior.mean_m, np.float64), (flights, 2))
    precision = np.linalg.inv(np.asarray(prior.covariance_m2, np.float64))
    return mean, np.broadcast_to(precision, (flights, 2, 2))
