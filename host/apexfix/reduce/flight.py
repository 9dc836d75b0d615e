"""One flight: what was read, which of it holds, the answer and everything that a person should know about it."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.reduce.interval import HeightIntervals
from apexfix.reduce.options import Options
from apexfix.reduce.robust import (
    ALPHA_GLOBAL,
    CRITICAL_W,
    UNKNOWNS,
    Consensus,
    Trial,
    consensus,
    global_test,
    redundancies,
    snooping,
)
from apexfix.reduce.sightline import Mask
from apexfix.reduce.simulate import simulated_interval
from apexfix.reduce.solve import Batch, Solution, sightlines_of, solve, whitened

_MOST_RIVALS: Final = 3


@dataclass(frozen=True, slots=True)
class Fit:
    """A solved flight: a solution of one row, its interval, and the readings behind it."""

    solution: Solution
    interval_m: tuple[float, float]
    closed: bool
    kept: Mask  # (N, 2)
    covariance_m2: Vector  # (3, 3) of the position; NaN where unsolved
    ambiguous: bool = False


def fits(batch: Batch, options: Options) -> list[Fit]:
    """Return one fit per flight of a batch, with wrong readings left out where the others show which."""
    first = solve(batch, options)
    intervals = first.intervals()
    suspect = _suspect(first)
    answers = []
    for k in range(len(suspect)):
        row = np.array([k])
        closed, covariance = bool(intervals.closed[k]), first.fixes.covariance_m2[k]
        own = _closed(Fit(first.take(row), _ends(intervals, k), closed, batch.present[k], covariance))
        if suspect[k]:
            own = _searched(own, batch.take(row), options)
        if not own.solution.fixes.solved[0] and _may_lean_on_drift(own, options):
            own = _fit(batch.take(row), own.kept, options, leaning=True)
        answers.append(own)
    return answers


def _fit(batch: Batch, kept: Mask, options: Options, *, leaning: bool = False) -> Fit:
    solution = solve(batch.keep(kept[None]), options, leaning=leaning)
    interval = solution.intervals()
    return _closed(Fit(solution, _ends(interval, 0), bool(interval.closed[0]), kept, solution.fixes.covariance_m2[0]))


def _closed(own: Fit) -> Fit:
    """Return a fit with the interval of a simulation where the likelihood gives none."""
    if own.closed or own.solution.lean is not None or not own.solution.fixes.solved[0]:
        return own
    interval, closed = simulated_interval(own.solution)
    return replace(own, interval_m=interval, closed=closed)


def _ends(intervals: HeightIntervals, flight: int) -> tuple[float, float]:
    return float(intervals.low_m[flight]), float(intervals.high_m[flight])


def _may_lean_on_drift(own: Fit, options: Options) -> bool:
    """Elevations alone may: they know the height but for the drift. Azimuths that do not cut are a fault of the readings."""
    seen = int(own.kept.any(axis=1).sum())
    elevations_only = bool(own.kept[:, 1].any()) and not own.kept[:, 0].any()
    return (elevations_only and seen >= 2) or (options.single_station and seen == 1)


def _suspect(solution: Solution) -> Mask:
    """Return which flights fail a test, or cannot be solved although their readings are enough."""
    residual, jacobian = solution.whitened()
    count = solution.batch.present.sum(axis=(1, 2))
    solved = solution.fixes.solved
    covariance = np.where(solved[:, None, None], solution.fixes.covariance_m2, 0.0)
    worst = np.abs(snooping(residual, redundancies(jacobian, covariance))).max(axis=1, initial=0.0)
    p = np.array([global_test(float(c), int(n) - UNKNOWNS) for c, n in zip(np.sum(residual**2, axis=1), count, strict=True)])
    # one reading can be named only where the others still check one another without it
    failed: Mask = (~solved | (worst > CRITICAL_W) | (p < ALPHA_GLOBAL)) & (count > UNKNOWNS + 1)
    return failed


# --- the search for wrong readings ----------------------------------------------------------------------------------


def _searched(own: Fit, batch: Batch, options: Options) -> Fit:
    found = search(batch, options)
    if found is None or found.kept.reshape(-1, 2)[own.kept].all():
        return own
    best = _fit(batch, found.kept.reshape(-1, 2), options)
    rivals = [_fit(batch, kept.reshape(-1, 2), options) for kept in found.rivals[:_MOST_RIVALS]]
    ends = [rival.interval_m for rival in rivals if rival.solution.fixes.solved[0]]
    low, high = min([best.interval_m[0], *(e[0] for e in ends)]), max([best.interval_m[1], *(e[1] for e in ends)])
    return replace(best, interval_m=(low, high), ambiguous=bool(ends))


def search(batch: Batch, options: Options) -> Consensus | None:
    """Return the most likely choice of the readings of a batch of one flight."""

    def fit(choices: Mask) -> Trial:
        many = batch.take(np.zeros(len(choices), dtype=np.intp))
        kept = choices.reshape(len(choices), -1, 2)
        solution = solve(many.keep(kept), options)
        residual, jacobian = _judged(many, kept, solution)
        return Trial(solution.fixes.position_m, solution.fixes.covariance_m2, residual, jacobian, solution.fixes.solved)

    def implausible(position_m: Vector) -> Vector:
        cost: Vector = np.sum(position_m[:, :2] ** 2, axis=1) / options.drift.variance_m2(position_m[:, 2])
        return cost

    return consensus(batch.present[0].ravel(), fit, implausible)


def _judged(many: Batch, kept: Mask, solution: Solution) -> tuple[Vector, Vector]:
    """Return whitened residuals and Jacobian of all readings, those left out too.

    An elevation is judged without its station's azimuth where that is left out: a wrong azimuth would put it on the wrong side of
    the zenith.
    """
    residual, jacobian = whitened(solution.fixes, sightlines_of(many, solution))
    azimuths_kept = np.stack([kept[..., 0], np.ones_like(kept[..., 1])], axis=-1)
    free_residual, free_jacobian = whitened(solution.fixes, sightlines_of(many.keep(azimuths_kept), solution))
    residual[:, 1::2], jacobian[:, 1::2] = free_residual[:, 1::2], free_jacobian[:, 1::2]
    return residual, jacobian
