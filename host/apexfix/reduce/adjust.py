"""All flights of a day at once, with each station's zeros and place as unknowns that the day's readings may correct.

A zero is common to all flights, and so is an error of the survey; the flights together may know them better than the
calibration did. Each is an unknown with its stated sigma as a prior. The normal equations are those of a bundle adjustment: a
flight touches only its own three coordinates and the stations' unknowns, so that its coordinates are eliminated (Schur complement)
before the stations' are solved, and the work grows as the number of flights. A prior that the day contradicts (w-test of the
pseudo-observation that the zero is 0; Baarda 1968) is a blunder among the observations, and is let go: one zero at a time, the
most contradicted first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.reduce.least_squares import curvature_per_m, sightlines
from apexfix.reduce.options import Options
from apexfix.reduce.robust import global_test
from apexfix.reduce.sightline import Mask, frame, linearise
from apexfix.reduce.solve import Batch, solve
from apexfix.reduce.uncertainty import mean_fall_rad, reading_sigmas
from apexfix.units import DEG

QUANTITIES: Final = ("azimuth zero", "elevation zero", "east", "north", "up")
ZEROS: Final = 2  # the first of QUANTITIES
CRITICAL_ZERO: Final = 2.58  # 1 % for each zero: to let one go without need costs a little precision, to keep a wrong one more
LEAST_SAID: Final = 0.2  # share of a prior variance that the readings must take away to have said something
FREE: Final = 20.0  # a prior that is let go becomes this much wider
LEAST_FREE_RAD: Final = 10 * DEG
_ITERATIONS: Final = 200
_TOLERANCE: Final = 1e-7  # of a step, in metres and in sigmas
_RISE: Final = 1e-4  # of the cost, that a change of the weights along the way may cause
_LEAST_DAMPING: Final = 1e-4
_RIDGE: Final = 1e-13


@dataclass(frozen=True, slots=True)
class Correction:
    """One unknown of a station. Radians for a zero, metres for a coordinate; reading = truth + zero."""

    station: str
    quantity: str  # one of QUANTITIES
    value: float
    sigma: float
    prior_sigma: float  # as stated
    said: float  # share of the stated variance that the readings took away: 0 nothing, 1 all of it; 1 where it was let go
    w: float  # how many sigmas the stated prior is contradicted by the readings, before any prior was let go
    let_go: bool  # the prior was contradicted and no longer holds it

    @property
    def told(self) -> bool:
        """Whether the readings say anything that the prior did not."""
        return self.said >= LEAST_SAID


@dataclass(frozen=True, slots=True)
class DayAdjustment:
    """A day solved together. Positions are NaN for flights that could not take part."""

    corrections: tuple[Correction, ...]  # the stations' unknowns, station by station
    position_m: Vector  # (F, 3)
    covariance_m2: Vector  # (F, 3, 3) jointly with zeros and survey
    azimuth_zero_rad: Vector  # (N,) to take from the readings
    elevation_zero_rad: Vector  # (N,)
    residual_sigmas: Vector  # (F, N, 2) reading less prediction, over its own random sigma; NaN where not used
    chi2: float
    redundancy: int
    probability: float  # of a chi-square as large
    remarks: tuple[str, ...]

    @property
    def flagged(self) -> tuple[Correction, ...]:
        """Zeros that contradict what was stated about them."""
        return tuple(c for c in self.corrections if c.let_go)


class _Solved(NamedTuple):
    at: Vector  # (F, 3)
    u: Vector  # (N, 5) unknowns over their prior sigma
    covariance_u: Vector  # (5 N, 5 N)
    covariance_m2: Vector  # (F, 3, 3)
    residual: Vector  # (F, N, 2)
    chi2: float


def adjust_day(batch: Batch, kept: Mask | None = None, options: Options | None = None) -> DayAdjustment:
    """Return all flights of a day solved together with the zeros and the places of their stations.

    Parameters
    ----------
    batch : all flights as rows, all stations as columns
    kept : (F, N, 2) azimuth and elevation, False for readings to leave out; by default all are used. Leave out single blunders
        only: a zero that is wrong makes every flight of its station look wrong, and is found from them.

    Raises
    ------
    ReductionError
        No flight can be solved on its own, so that there is nothing to adjust, or the adjustment does not settle.

    Notes
    -----
    Normal equations of a bundle adjustment reduced by the Schur complement; the covariance of a flight is that of the joint
    solution, N_ff^-1 + N_ff^-1 N_fs C_s N_sf N_ff^-1.
    """
    options = options or Options()
    batch = batch if kept is None else batch.keep(kept)
    alone = solve(batch, options).fixes
    rows = np.flatnonzero(alone.solved)
    if not rows.size:
        raise ReductionError(f"none of {len(alone.solved)} flights can be solved on its own; there is no day to adjust")
    own = batch.take(rows)
    prior = _priors(own)
    wide, free = prior, np.zeros(prior.shape, dtype=bool)
    first = found = _solved(own, wide, alone.position_m[rows], options)
    w = stated_w = _w(first)
    while (worst := _worst(w, free)) is not None:
        free[worst] = True
        wide = np.where(free, np.maximum(FREE * prior, LEAST_FREE_RAD), prior)
        found = _solved(own, wide, found.at, options)
        w = np.where(free, 0.0, _w(found))
    corrections = _corrections(own, found, prior, wide, free, stated_w)
    return _told(batch, rows, found, wide, corrections)


def _priors(batch: Batch) -> Vector:
    """Return the stated sigmas of the unknowns, (N, 5); 0 for a station that read nothing."""
    columns = [batch.stated.sigma_azimuth_zero_rad, batch.stated.sigma_elevation_zero_rad, *3 * [batch.stated.sigma_position_m]]
    return np.stack([np.nan_to_num(column).max(axis=0) for column in columns], axis=-1)


def _w(found: _Solved) -> Vector:
    """Return by how many of its sigmas each unknown departs from 0, (N, 5); 0 where the readings cannot tell."""
    redundancy = (1 - np.diag(found.covariance_u)).reshape(found.u.shape)
    testable = redundancy > 1e-6
    return np.where(testable, found.u / np.sqrt(np.where(testable, redundancy, 1.0)), 0.0)


def _worst(w: Vector, free: Mask) -> tuple[int, int] | None:
    """Return the most contradicted zero, or None. Two stations must keep theirs, or nothing holds the frame."""
    trial = np.abs(w[:, :ZEROS])
    held = len(w) - free[:, :ZEROS].sum(axis=0)
    trial[:, held <= 2] = 0.0
    if trial.max() <= CRITICAL_ZERO:
        return None
    n, q = np.unravel_index(int(np.argmax(trial)), trial.shape)
    return int(n), int(q)


# --- the solution ---------------------------------------------------------------------------------------------------


class _Normal(NamedTuple):
    """Normal equations after the flights' coordinates are eliminated."""

    inverse: Vector  # (F, 3, 3) of each flight's own block
    reduced: Vector  # (F, 3, 5 N) inverse times the block between flight and stations
    own: Vector  # (F, 3) step of each flight if the stations stayed
    matrix: Vector  # (5 N, 5 N)
    right: Vector  # (5 N,)

    def step(self) -> tuple[Vector, Vector]:
        """Return the step of the flights, (F, 3), and of the stations, (5 N,)."""
        step_u: Vector = np.asarray(np.linalg.solve(self.matrix, self.right), dtype=np.float64)
        return self.own - np.einsum("fip,p->fi", self.reduced, step_u), step_u


_Rows = tuple[Vector, Vector, Vector]  # residuals, derivatives by flight, derivatives by station


def _solved(batch: Batch, prior: Vector, at: Vector, options: Options) -> _Solved:
    """Return the minimum, by Gauss-Newton steps with Levenberg-Marquardt damping."""
    assumed = options.sigma_drift_m_s, curvature_per_m() if options.curvature else 0.0
    u, damping = np.zeros(prior.shape), 0.0
    rows = _linearised(batch, prior, at, u, assumed)
    cost = _cost(rows, u)
    for _ in range(_ITERATIONS):
        step, step_u = _normal(rows, u, damping).step()
        trial = at + step, u + step_u.reshape(u.shape)
        trial_rows = _linearised(batch, prior, *trial, assumed)
        trial_cost = _cost(trial_rows, trial[1])
        if trial_cost > cost + _RISE * (1 + cost):
            damping = max(10 * damping, _LEAST_DAMPING)
            continue
        (at, u), rows, cost = trial, trial_rows, trial_cost
        if max(np.abs(step).max(), np.abs(step_u).max()) < _TOLERANCE and damping <= _LEAST_DAMPING:
            last = _normal(rows, u, 0.0)
            covariance_u: Vector = np.asarray(np.linalg.inv(last.matrix), dtype=np.float64)
            joint = last.inverse + last.reduced @ covariance_u @ np.swapaxes(last.reduced, 1, 2)
            return _Solved(at, u, covariance_u, joint, rows[0], cost)
        damping = damping / 10 if damping > _LEAST_DAMPING else 0.0
    raise ReductionError("the flights of this day do not settle together; look for a gross error in one of them")


def _cost(rows: _Rows, u: Vector) -> float:
    return float(np.sum(rows[0] ** 2) + np.sum(u**2))


def _normal(rows: _Rows, u: Vector, damping: float) -> _Normal:
    residual, by_flight, by_station = rows
    block = np.einsum("fnqi,fnqj->fij", by_flight, by_flight)
    size = np.trace(block, axis1=1, axis2=2)[:, None, None]
    inverse = np.linalg.inv(block * (1 + damping * np.eye(3)) + (_RIDGE * size + _RIDGE) * np.eye(3))
    cross = np.einsum("fnqi,fnqp->finp", by_flight, by_station).reshape(len(block), 3, -1)
    pull = np.einsum("fnqi,fnq->fi", by_flight, residual)
    reduced = inverse @ cross
    matrix = (np.eye(u.size) + _own_blocks(by_station)) * (1 + damping * np.eye(u.size)) - np.einsum("fip,fir->pr", cross, reduced)
    right = np.einsum("fnqp,fnq->np", by_station, residual).ravel() - u.ravel() - np.einsum("fip,fi->p", reduced, pull)
    return _Normal(inverse, reduced, np.einsum("fij,fj->fi", inverse, pull), matrix, right)


def _own_blocks(by_station: Vector) -> Vector:
    """Return the stations' part of the normal matrix: a reading knows only its own station."""
    blocks = np.einsum("fnqp,fnqr->npr", by_station, by_station)
    stations, size = blocks.shape[:2]
    matrix = np.zeros((stations, size, stations, size))
    each = np.arange(stations)
    matrix[each, :, each, :] = blocks
    return matrix.reshape(stations * size, -1)


def _linearised(
    batch: Batch, prior: Vector, at: Vector, u: Vector, assumed: tuple[float, float]
) -> _Rows:
    """Return (F, N, 2) residuals over random sigmas; derivatives of the predictions by flight, (.., 3), and station, (.., 5)."""
    drift_m_s, curvature = assumed
    own = u * prior
    place = batch.station_m + own[:, ZEROS:]
    parts = reading_sigmas(at, place, batch.stated, drift_m_s)
    sigma = np.hypot(parts["pointing"], parts["timing"])
    elevation = batch.elevation_rad - own[:, 1] + mean_fall_rad(at, place, batch.stated.sigma_time_s)
    stations = np.broadcast_to(place, (*elevation.shape, 3))
    lines = sightlines(batch.azimuth_rad - own[:, 0], elevation, stations, sigma[..., 0], sigma[..., 1], curvature)
    seen, view = linearise(at.T, lines), frame(at.T, lines)
    gradient = np.stack([np.stack(seen.across_gradient, axis=-1), np.stack(seen.along_gradient, axis=-1)], axis=-2)
    by_station = np.zeros((*gradient.shape[:-1], len(QUANTITIES)))
    level2 = view.level2 + lines.zenith_rad**2 * (view.level2 + view.up**2) + 1e-18
    by_station[..., 0, 0] = lines.azimuth_weight * view.ahead / np.sqrt(level2)
    by_station[..., 1, 1] = lines.elevation_weight * np.where(lines.folded, -1.0, 1.0)
    by_station[..., ZEROS:] = -gradient
    return np.stack([seen.across, seen.along], axis=-1), gradient, by_station * prior[:, None, :]


# --- the answer -----------------------------------------------------------------------------------------------------


def _corrections(
    batch: Batch, found: _Solved, prior: Vector, wide: Vector, free: Mask, w: Vector
) -> tuple[Correction, ...]:
    sigma = np.sqrt(np.diag(found.covariance_u)).reshape(prior.shape) * wide
    value = found.u * wide
    said = 1 - np.minimum(np.divide(sigma, prior, out=np.ones_like(sigma), where=prior > 0) ** 2, 1.0)
    return tuple(
        Correction(
            station=name,
            quantity=quantity,
            value=float(value[n, q]),
            sigma=float(sigma[n, q]),
            prior_sigma=float(prior[n, q]),
            said=1.0 if free[n, q] else float(said[n, q]),
            w=float(w[n, q]),
            let_go=bool(free[n, q]),
        )
        for n, name in enumerate(batch.stations)
        for q, quantity in enumerate(QUANTITIES)
    )


def _told(
    batch: Batch, rows: NDArray[np.intp], found: _Solved, wide: Vector, corrections: tuple[Correction, ...]
) -> DayAdjustment:
    flights = len(batch.azimuth_rad)
    position, covariance = np.full((flights, 3), np.nan), np.full((flights, 3, 3), np.nan)
    residual = np.full((flights, len(batch.stations), 2), np.nan)
    position[rows], covariance[rows] = found.at, found.covariance_m2
    used = batch.present[rows]
    residual[rows] = np.where(used, found.residual, np.nan)
    spare = max(int(used.sum()) - 3 * len(rows) - sum(c.let_go for c in corrections), 0)
    probability = global_test(found.chi2, spare)
    own = found.u * wide
    left = flights - len(rows)
    return DayAdjustment(
        corrections=corrections,
        position_m=position,
        covariance_m2=covariance,
        azimuth_zero_rad=own[:, 0],
        elevation_zero_rad=own[:, 1],
        residual_sigmas=residual,
        chi2=found.chi2,
        redundancy=spare,
        probability=probability,
        remarks=_remarks(corrections, len(rows), left, probability),
    )


def _remarks(corrections: tuple[Correction, ...], flights: int, left: int, probability: float) -> tuple[str, ...]:
    remarks = [_flag(c) for c in corrections if c.let_go]
    remarks += _unnamed(corrections)
    zeros = [c for c in corrections if c.quantity in QUANTITIES[:ZEROS] and c.prior_sigma > 0]
    for quantity in QUANTITIES[:ZEROS]:
        by = {c.station: c for c in zeros if c.quantity == quantity}
        remarks += _learned(quantity, by, flights)
    if left:
        remarks.append(f"{left} flights could not be solved on their own and took no part in the adjustment of the day")
    if probability < 0.001:
        remarks.append(f"the day's readings disagree by more than their sigmas allow even so (probability {probability:.2g})")
    return tuple(remarks)


def _flag(c: Correction) -> str:
    return (
        f"the {c.quantity} of station {c.station} is {c.value / DEG:+z.2f}° ± {c.sigma / DEG:.2f}° by the readings of the day, "
        f"stated was 0 ± {c.prior_sigma / DEG:.2f}°: look at its backsight or its level target"
    )


def _unnamed(corrections: tuple[Correction, ...]) -> list[str]:
    """Say which zeros are contradicted and had to stay, because too few others would hold the frame."""
    if any(c.let_go for c in corrections):
        return []
    wrong = [c for c in corrections if c.quantity in QUANTITIES[:ZEROS] and abs(c.w) > CRITICAL_ZERO]
    if not wrong:
        return []
    names = ", ".join(f"{c.quantity} of {c.station}" for c in wrong)
    return [f"some zero is off by more than was stated ({names}), and so few stations cannot show which: a third would"]


def _learned(quantity: str, by: Mapping[str, Correction], flights: int) -> list[str]:
    silent = [name for name, c in by.items() if not c.told]
    if not silent:
        return []
    whose = "any station" if len(silent) == len(by) else "station " + ", ".join(silent)
    most = max(by[name].said for name in silent)
    return [
        f"the data cannot tell the {quantity} of {whose}: {flights} flights took at most {100 * most:.0f} % of the variance that "
        f"was stated (sigma {sqrt(1 - most) * 100:.0f} % of it or more remains)"
    ]
