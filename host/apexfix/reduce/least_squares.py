"""Positions by weighted least squares, for one flight or a hundred thousand."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.reduce import start
from apexfix.reduce.descent import MOST_STEPS, Held, held, iterate, normal
from apexfix.reduce.sightline import Mask, Sightlines, linearise, misclosure
from apexfix.reduce.symmetric import full, scaled_inverse
from apexfix.reduce.trouble import Trouble, after, before, behind
from apexfix.units import EARTH_RADIUS_M

# Readings worked on together: few enough for the working arrays to stay near the processor and to be small beside the answer.
_READINGS_AT_ONCE = 25_000
# Elevations alone put a model outside the stations' circle only if that lowers the sum of squares by two sigmas squared.
_SPEAKS_FOR_OUTSIDE = 4.0


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

    def take(self, flights: NDArray[np.intp]) -> "Fixes":
        """Return some of the flights."""
        return Fixes(*(getattr(self, part.name)[flights] for part in fields(self)))


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
    most_steps: int = MOST_STEPS,
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
    most_steps : int
        After which a flight is solved only if another step would gain next to nothing.

    Raises
    ------
    ReductionError
        Shapes that do not fit; a sigma that is not positive, or a station that is nowhere, where there is a reading; a prior
        whose covariance has no inverse.

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
    _demand_places(place, np.isfinite(azimuth) | np.isfinite(elevation))
    mean, precision = _prior_arrays(prior, flights)

    answer = _empty(flights, stations)
    chunk = max(_READINGS_AT_ONCE // max(stations, 1), 1)
    for first in range(0, flights, chunk):
        part = slice(first, first + chunk)
        lines = sightlines(azimuth[part], elevation[part], place[part], sigma_a[part], sigma_e[part], curvature_per_m)
        _solve(lines, None if mean is None or precision is None else (mean[part], precision[part]), answer, first, most_steps)
    return answer


def sightlines(
    azimuth_rad: Vector, elevation_rad: Vector, station_m: Vector, sigma_azimuth_rad: Vector, sigma_elevation_rad: Vector,
    curvature_per_m: float = 0.0,
) -> Sightlines:
    """Return the readings in the form that the iteration uses; (F, N) arrays, stations (F, N, 3), NaN where missing."""
    azimuth, elevation, sigma_a, sigma_e = (
        np.asfortranarray(angle) for angle in (azimuth_rad, elevation_rad, sigma_azimuth_rad, sigma_elevation_rad)
    )
    has_a, has_e = np.isfinite(azimuth), np.isfinite(elevation)
    azimuth, elevation = np.where(has_a, azimuth, 0.0), np.where(has_e, elevation, 0.0)
    folded = ~has_a & (elevation > np.pi / 2)
    weight_a, weight_e = has_a / np.where(has_a, sigma_a, 1.0), has_e / np.where(has_e, sigma_e, 1.0)
    zenith = np.where(has_e, sigma_e, np.where(has_a, sigma_a, 1.0))
    east, north, up = (np.where(has_a | has_e, np.asfortranarray(station_m[..., i]), 0.0) for i in range(3))
    return Sightlines(
        east, north, up, np.sin(azimuth), np.cos(azimuth), np.where(folded, np.pi - elevation, elevation),
        weight_a, weight_e, zenith, folded, curvature_per_m,
    )  # fmt: skip


# --- the solution ---------------------------------------------------------------------------------------------------


def _solve(lines: Sightlines, prior: Held | None, answer: Fixes, first: int, most_steps: int) -> None:
    """Fill the rows of an answer from `first` on."""
    trouble = before(lines, prior is not None)
    able = np.flatnonzero(trouble == Trouble.NONE)
    answer.trouble[first : first + trouble.size] = trouble
    if not able.size:
        return
    used, own = lines.take(able), held(prior, able)
    position, converged = iterate(start.begin(used, own), used, own, most_steps)
    if own is None:
        position, converged = _turn_inside(position, used, converged, most_steps)
    matrix, _, chi2 = normal(linearise(position, used), position, own)
    inverse, determinant = scaled_inverse(matrix)
    trouble[able] = after(position, used, inverse, determinant, converged)
    _tell_behind(trouble, able, lines)
    answer.trouble[first : first + trouble.size] = trouble

    good = trouble[able] == Trouble.NONE
    rows, covariance = first + able[good], full(inverse)[good]
    answer.position_m[rows] = position.T[good]
    answer.covariance_m2[rows] = covariance
    answer.residual_rad[rows] = misclosure(position, used)[good]
    answer.chi2[rows] = chi2[good]
    answer.prior_share[rows] = 0.0 if own is None else _prior_share(covariance, own[1][good])


def _prior_share(covariance_m2: Vector, precision: Vector) -> Vector:
    """Return the prior's part of the height's variance: C = C (J^T W J) C + C P C, of which this is the second."""
    lever = covariance_m2[:, 2, :2]
    return np.asarray(np.einsum("fi,fij,fj->f", lever, precision, lever) / covariance_m2[:, 2, 2])


def _tell_behind(trouble: NDArray[np.int8], able: NDArray[np.intp], lines: Sightlines) -> None:
    """Rename what failed because its rays part in front of the observers and meet behind one."""
    lost = able[trouble[able] != Trouble.NONE]
    if lost.size:
        some = lines.take(lost)
        meeting, spread = start.nearest_to_rays(some, some.has_azimuth & some.has_elevation)
        trouble[lost[(spread <= start.MOST_SPREAD) & behind(meeting, some)]] = Trouble.BEHIND


def _turn_inside(position_m: Vector, lines: Sightlines, converged: Mask, most_steps: int) -> tuple[Vector, Mask]:
    """Return the minima again, moved inside the stations' circle where elevations alone cannot tell inside from outside."""
    ring = start.circle(lines)
    within, outside = start.inverted(position_m, ring)
    doubtful = np.flatnonzero(outside & ~lines.has_azimuth.any(axis=1))
    if not doubtful.size:
        return position_m, converged
    some = lines.take(doubtful)
    again, reached = iterate(within[:, doubtful], some, None, most_steps)
    before_, after_ = (normal(linearise(p, some), p, None)[2] for p in (position_m[:, doubtful], again))
    inside = ~start.inverted(again, start.circle(some))[1]
    taken = reached & inside & (after_ < before_ + _SPEAKS_FOR_OUTSIDE)
    answer, sure = position_m.copy(), converged.copy()
    answer[:, doubtful[taken]], sure[doubtful[taken]] = again[:, taken], True
    return answer, sure


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


def _demand_places(station_m: Vector, read: Mask) -> None:
    nowhere = read & ~np.isfinite(station_m).all(axis=-1)
    if nowhere.any():
        flight, station = (int(i) for i in np.argwhere(nowhere)[0])
        raise ReductionError(
            f"station {station} stands at {station_m[flight, station].tolist()} in flight {flight}; a station that read something "
            "needs a place in metres"
        )


def _prior_arrays(prior: HorizontalPrior | None, flights: int) -> tuple[Vector | None, Vector | None]:
    if prior is None:
        return None, None
    mean = np.broadcast_to(np.asarray(prior.mean_m, np.float64), (flights, 2))
    try:
        precision = np.linalg.inv(np.asarray(prior.covariance_m2, np.float64))
    except np.linalg.LinAlgError as error:
        raise ReductionError("the drift prior has a covariance without an inverse; give both axes a sigma above 0") from error
    return mean, np.broadcast_to(precision, (flights, 2, 2))
