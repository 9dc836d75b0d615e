"""From a fit to the value that other rooms read: verdict, sentences, residuals, what was left out and the budget of the sigma."""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from math import hypot, isinf, sqrt
from typing import Final, NamedTuple

import numpy as np

from apexfix.errors import ReductionError
from apexfix.geometry import angles, wrapped
from apexfix.model import Exclusion, Flight, FlightResult, Residual, Vector, Verdict
from apexfix.reduce.closure import SportingVerdict, sporting_verdict
from apexfix.reduce.elevations import MethodResult, elevations_alone
from apexfix.reduce.flight import Fit
from apexfix.reduce.interval import stretched
from apexfix.reduce.least_squares import Fixes
from apexfix.reduce.methods import side_by_side
from apexfix.reduce.observe import Observations
from apexfix.reduce.options import Options
from apexfix.reduce.robust import (
    UNKNOWNS,
    detectable_sigmas,
    excess,
    global_test,
    redundancies,
    station_influence_m,
)
from apexfix.reduce.sightline import misclosure
from apexfix.reduce.solve import Batch, sightlines_of
from apexfix.reduce.trouble import Trouble, explain
from apexfix.reduce.uncertainty import Sigmas, shares
from apexfix.reduce.verdict import Evidence, judge
from apexfix.units import DEG

COMMON_SOURCES: Final = ("unit zero", "survey")
DISAGREEMENT: Final = "disagreement"  # in the budget, where a sigma was widened
WHICH_IS_WRONG: Final = "which reading is wrong"  # the same, where more than one explanation holds
QUANTITIES: Final = ("azimuth", "elevation")
LEAST_SQUARES: Final = "weighted least squares"
WITH_PRIOR: Final = "weighted least squares with a drift prior"


@dataclass(frozen=True, slots=True)
class Classical:
    """What the methods of the trade make of the readings that are kept."""

    heights_m: Mapping[str, float]  # name of each method that applies -> height
    sporting: SportingVerdict | None  # None where nothing can close


def by_elevations(batch: Batch, fits: Sequence[Fit]) -> Fixes:
    """Return what the elevations that are kept say alone, of all flights of a batch."""
    kept = batch.keep(np.stack([fit.kept for fit in fits]))
    return elevations_alone(batch.station_m, kept.elevation_rad, batch.stated.sigma_elevation_rad)


def classical(batch: Batch, fit: Fit, elevations: Fixes, options: Options) -> Classical:
    """Return the heights of every method that applies to the readings that are kept, and whether they close.

    Parameters
    ----------
    batch, elevations : of the one flight
    """
    results = tuple(side_by_side(_kept(batch, fit), elevations=elevations))
    return Classical({result.name: result.height_m for result in results}, _sporting(results, options))


def closing(batch: Batch, fit: Fit, elevations: Fixes, options: Options) -> SportingVerdict | None:
    """Return whether the readings that are kept close, None where nothing can; parameters as of :func:`classical`."""
    return _sporting(side_by_side(_kept(batch, fit), elevations=elevations), options)


def _sporting(results: Iterable[MethodResult], options: Options) -> SportingVerdict | None:
    """Return what the first method that has a closure says."""
    for result in results:
        if result.closure is None or not np.isfinite(result.level_m).all():
            continue  # single stations disagree by the drift, which is no fault
        with suppress(ReductionError):  # the rule may ask for a gap between lines of sight, and this method have none
            return sporting_verdict(result.closure, rule=options.closure_rule, limit_percent=options.closure_limit_percent)
    return None


def _kept(batch: Batch, fit: Fit) -> Observations:
    """Return the readings that are kept, of the stations that have any."""
    rows = np.flatnonzero(fit.kept.any(axis=1))
    kept = batch.keep(fit.kept[None])
    stated = {part.name: getattr(batch.stated, part.name)[0, rows] for part in fields(Sigmas)}
    names = tuple(batch.stations[row] for row in rows)
    return Observations(names, batch.station_m[rows], kept.azimuth_rad[0, rows], kept.elevation_rad[0, rows], **stated)


class Answer(NamedTuple):
    """The result of a flight by its presses, and what its verdict rests on."""

    result: FlightResult
    evidence: Evidence | None  # None where there is no position
    remarks: tuple[str, ...]  # the last of the reasons: what a person should know besides


def evidence_of(batch: Batch, fit: Fit, sporting: SportingVerdict | None, options: Options) -> Evidence:
    """Return what the verdict on a flight that has a position rests on; batch and fit as of :func:`answered`."""
    fixes = fit.solution.fixes
    east, north, height = fixes.position_m[0].tolist()
    cost, spare, widening = float(fixes.chi2[0]), _spare(fit), _widening(fit)
    return Evidence(
        height_m=height,
        sigma_m=widening * sqrt(fit.covariance_m2[2, 2]),
        interval_m=stretched(fit.interval_m, height, widening),
        interval_closed=fit.closed,
        cost=cost,
        redundancy=spare,
        probability=global_test(cost, spare),
        drift_m=hypot(east, north),
        prior_share=float(fixes.prior_share[0]),
        sporting=sporting,
        closure_limit_percent=options.closure_limit_percent,
        excluded=int((batch.present[0] & ~fit.kept).sum()),
        ambiguous=fit.ambiguous,
    )


def answered(flight: Flight, batch: Batch, fit: Fit, beside: Classical, options: Options) -> Answer:
    """Return the answer for a flight that has a position.

    Parameters
    ----------
    batch : all readings of the flight, a batch of one
    """
    evidence = evidence_of(batch, fit, beside.sporting, options)
    position = fit.solution.fixes.position_m[0]
    residual, jacobian = (array[0] for array in fit.solution.whitened())
    widening = _widening(fit)
    misclosures = _misclosures(batch, fit)
    remarks = (*_blind_spots(batch, fit, jacobian), *_influence(batch, fit, residual, jacobian))
    verdict, reasons = judge(evidence, remarks)
    method = LEAST_SQUARES if fit.solution.lean is None else WITH_PRIOR
    result = FlightResult(
        flight=flight.number,
        verdict=verdict,
        reasons=reasons,
        position_m=position,
        covariance_m2=widening**2 * fit.covariance_m2,
        interval95_m=evidence.interval_m,
        closure_percent=None if beside.sporting is None else beside.sporting.closure_percent,
        method=method,
        methods={method: evidence.height_m, **beside.heights_m},
        residuals=_residuals(flight, batch, misclosures, fit.solution.sigma_rad[0]),
        excluded=_excluded(batch, fit, misclosures) + flight.set_aside,
        budget_m=_budget(fit, jacobian, widening),
        sightings=flight.sightings,
        tracks=flight.tracks,
    )
    return Answer(result, evidence, remarks)


def unanswered(flight: Flight, batch: Batch, fit: Fit, beside: Classical) -> Answer:
    """Return the answer for a flight that has no position, with the reason why."""
    result = FlightResult(
        flight=flight.number,
        verdict=Verdict.UNSOLVED,
        reasons=(_trouble(batch, fit),),
        position_m=None,
        covariance_m2=None,
        interval95_m=None,
        closure_percent=None if beside.sporting is None else beside.sporting.closure_percent,
        method="",
        methods=beside.heights_m,
        excluded=flight.set_aside,
        sightings=flight.sightings,
        tracks=flight.tracks,
    )
    return Answer(result, None, ())


def _spare(fit: Fit) -> int:
    """Return how many readings there are beyond the unknowns; a prior on east and north counts as two."""
    prior = 0 if fit.solution.lean is None else 2
    return max(int(fit.kept.sum()) + prior - UNKNOWNS, 0)


def _widening(fit: Fit) -> float:
    """Return by how much the readings disagree more than their sigmas say, 1 where that may be chance."""
    return sqrt(excess(float(fit.solution.fixes.chi2[0]), _spare(fit)))


def _budget(fit: Fit, jacobian: Vector, widening: float) -> dict[str, float]:
    fixes, sigma = fit.solution.fixes, fit.solution.sigma_rad[0]
    whitened_gain = (jacobian @ fixes.covariance_m2[0, 2]).reshape(-1, 2)
    gain = np.where(fit.kept, whitened_gain / np.where(fit.kept, sigma, 1.0), 0.0)
    own = shares(gain, {name: part[0] for name, part in fit.solution.parts.items()})
    between = 0.0 if fit.between_m2 is None else float(fit.between_m2[2, 2])
    common = float(fit.covariance_m2[2, 2] - fixes.covariance_m2[0, 2, 2]) - between
    if fit.between_m2 is not None:
        own[WHICH_IS_WRONG] = sqrt(between)
    if common > 1e-9 * between:  # adjusted over the whole day, where the two are no longer independent
        own = {name: share for name, share in own.items() if name not in COMMON_SOURCES}
        own[" and ".join(COMMON_SOURCES)] = sqrt(common)
    height_sigma = sqrt(fit.covariance_m2[2, 2])
    if fit.solution.lean is not None:
        own["drift prior"] = height_sigma * sqrt(float(fixes.prior_share[0]))
    if widening > 1:
        own[DISAGREEMENT] = height_sigma * sqrt(widening**2 - 1)
    return own


def _misclosures(batch: Batch, fit: Fit) -> Vector:
    """Return what was read less what the fix predicts, (N, 2), also for readings that were left out.

    An azimuth that is left out is compared all round, and says nothing about the side of the zenith of its elevation.
    """
    position = fit.solution.fixes.position_m[0]
    own = np.stack([fit.kept[:, 0], np.ones_like(fit.kept[:, 1])], axis=-1)
    found: Vector = misclosure(position[:, None], sightlines_of(batch.keep(own[None]), fit.solution))[0]
    seen_at, _ = angles(position - batch.station_m)
    found[:, 0] = np.where(fit.kept[:, 0], found[:, 0], wrapped(batch.azimuth_rad[0] - seen_at))
    return found


def _residuals(flight: Flight, batch: Batch, misclosures: Vector, sigma_rad: Vector) -> tuple[Residual, ...]:
    sigma_rad = np.where(np.isfinite(misclosures), sigma_rad, np.nan)
    row = {name: (*misclosures[n], *sigma_rad[n]) for n, name in enumerate(batch.stations)}
    return tuple(
        Residual(s.station, *(float(angle) if np.isfinite(angle) else None for angle in row[s.station])) for s in flight.sightings
    )


def _excluded(batch: Batch, fit: Fit, misclosures: Vector) -> tuple[Exclusion, ...]:
    return tuple(
        Exclusion(batch.stations[n], QUANTITIES[q], _why(misclosures[n, q], fit.solution.sigma_rad[0, n, q]))
        for n, q in np.argwhere(batch.present[0] & ~fit.kept)
    )


def _why(misclosure_rad: float, sigma_rad: float) -> str:
    return (
        f"reads {misclosure_rad / DEG:+z.2f}° from where the other readings put the apex, "
        f"{abs(misclosure_rad) / sigma_rad:.0f} times its sigma of {sigma_rad / DEG:.2f}°; left out"
    )


# --- what a person should know besides ------------------------------------------------------------------------------


def _blind_spots(batch: Batch, fit: Fit, jacobian: Vector) -> list[str]:
    """Say what wrong readings would have gone unseen."""
    if _spare(fit) == 0:
        return []
    redundancy = redundancies(jacobian, fit.solution.fixes.covariance_m2[0]).reshape(-1, 2)
    limit = detectable_sigmas(redundancy) * fit.solution.sigma_rad[0]
    seen = [batch.stations[n] for n in np.flatnonzero(fit.kept.any(axis=1))]
    if len(seen) == 2:
        each = ", ".join(_limit(batch, n, q, limit[n, q]) for n, q in np.argwhere(fit.kept))
        return [
            f"two stations: their readings check one another once, so a wrong one may be noticed but never named. "
            f"What would be noticed four times in five: {each}"
        ]
    n, q = min(np.argwhere(fit.kept), key=lambda reading: redundancy[tuple(reading)])
    return [f"least checked reading: {_limit(batch, n, q, limit[n, q])} would be noticed four times in five"]


def _limit(batch: Batch, n: int, q: int, limit_rad: float) -> str:
    name = f"{QUANTITIES[q]} at {batch.stations[n]}"
    return f"{name} at no size of error" if isinf(limit_rad) or limit_rad > np.pi / 2 else f"{name} from {limit_rad / DEG:.1f}°"


def _influence(batch: Batch, fit: Fit, residual: Vector, jacobian: Vector) -> list[str]:
    seen = np.flatnonzero(fit.kept.any(axis=1))
    if len(seen) < 3:
        return []
    change = station_influence_m(residual, jacobian, fit.solution.fixes.covariance_m2[0])
    each = ", ".join(f"{batch.stations[n]} {change[n]:+z.1f} m" for n in seen if np.isfinite(change[n]))
    return [f"without one station the height would change: {each}"] if each else []


def _trouble(batch: Batch, fit: Fit) -> str:
    sigma = np.hypot(*np.nan_to_num(fit.solution.sigma_rad[0].T))
    return explain(
        Trouble(int(fit.solution.fixes.trouble[0])), batch.stations, batch.azimuth_rad[0], batch.elevation_rad[0], sigma
    )
