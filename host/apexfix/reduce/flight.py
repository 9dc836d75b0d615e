"""One flight: what was read, which of it holds, the answer and everything that a person should know about it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from math import sqrt
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.reduce.interval import COVERAGE_SIGMAS, HeightIntervals
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
_TRIAL_STEPS: Final = 20  # a choice of readings whose position takes longer to find is on its way to none, or hardly holds it


@dataclass(frozen=True, slots=True)
class Fit:
    """A solved flight: a solution of one row, its interval, and the readings behind it."""

    solution: Solution
    interval_m: tuple[float, float]
    closed: bool
    kept: Mask  # (N, 2)
    covariance_m2: Vector  # (3, 3) of the position; NaN where unsolved
    ambiguous: bool = False
    between_m2: Vector | None = None  # (3, 3) of the covariance: what other explanations add; None where there is no other


def fits(batch: Batch, options: Options) -> list[Fit]:
    """Return one fit per flight of a batch, with wrong readings left out where the others show which."""
    first = solve(batch, options)
    intervals = first.intervals()
    suspect = _suspect(first)
    answers = []
    for k in range(len(suspect)):
        closed, covariance = bool(intervals.closed[k]), first.fixes.covariance_m2[k]
        answers.append(_closed(Fit(first.take(np.array([k])), _ends(intervals, k), closed, batch.present[k], covariance)))
    rows = np.flatnonzero(suspect)
    searched = _searched([answers[row] for row in rows], batch.take(rows), options)
    for k, found in zip(rows.tolist(), searched, strict=True):
        answers[k] = found
    return [_leaning(own, batch.take(np.array([k])), options) for k, own in enumerate(answers)]


def _leaning(own: Fit, batch: Batch, options: Options) -> Fit:
    """Return a fit that leans on the drift where nothing else gives one and it may."""
    if own.solution.fixes.solved[0] or not _may_lean_on_drift(own, options):
        return own
    return _fits(batch, own.kept[None], options, leaning=True)[0]


def _fits(batch: Batch, kept: Mask, options: Options, *, leaning: bool = False) -> list[Fit]:
    """Return the fits of all flights of a batch to (F, N, 2) readings of them."""
    solution = solve(batch.keep(kept), options, leaning=leaning)
    intervals = solution.intervals()
    return [
        _closed(Fit(solution.take(np.array([k])), _ends(intervals, k), bool(intervals.closed[k]), own, covariance))
        for k, (own, covariance) in enumerate(zip(kept, solution.fixes.covariance_m2, strict=True))
    ]


def _closed(own: Fit) -> Fit:
    """Return a fit with the interval of a simulation where the likelihood gives none."""
    if own.closed or own.solution.lean is not None or not own.solution.fixes.solved[0]:
        return own
    interval, closed = simulated_interval(own.solution)
    height, first_order = float(own.solution.fixes.position_m[0, 2]), COVERAGE_SIGMAS * sqrt(own.covariance_m2[2, 2])
    if interval[1] - interval[0] < first_order:
        # less than half of what first order says: wild readings have put the apex at a station, and there every draw stays
        return replace(own, interval_m=(height - first_order, height + first_order), closed=False)
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


def _searched(suspects: list[Fit], batch: Batch, options: Options) -> list[Fit]:
    """Return the fits of flights of which some reading is wrong, without the readings that the others accuse."""
    found = search(batch, options)
    wanted = [(k, kept) for k, own in enumerate(found) if own is not None for kept in _chosen(own, suspects[k])]
    if not wanted:
        return suspects
    answers = list(suspects)
    rows = np.array([k for k, _ in wanted], dtype=np.intp)
    refits = _fits(batch.take(rows), np.array([kept for _, kept in wanted]).reshape(-1, *batch.present.shape[1:]), options)
    for k in dict.fromkeys(rows.tolist()):
        best, *rivals = (fit for fit, row in zip(refits, rows, strict=True) if row == k)
        answers[k] = _among(best, rivals, options)
    return answers


def _chosen(found: Consensus, suspect: Fit) -> list[Mask]:
    """Return the most likely choice of readings and its nearest rivals, (N, 2) each; none where nothing is accused."""
    if found.kept.reshape(-1, 2)[suspect.kept].all():
        return []
    return [kept.reshape(-1, 2) for kept in (found.kept, *found.rivals[:_MOST_RIVALS])]


def _among(best: Fit, rivals: list[Fit], options: Options) -> Fit:
    """Return a fit whose interval holds those of its rivals, too, and whose covariance holds where they put the apex.

    The second moments of the mixture about the position that is told, each explanation weighted by its likelihood.
    """
    every = [best, *(rival for rival in rivals if rival.solution.fixes.solved[0])]
    if len(every) == 1:
        return best
    low, high = min(fit.interval_m[0] for fit in every), max(fit.interval_m[1] for fit in every)
    score = np.array([_score(fit, options) for fit in every])
    weight = np.exp((score.min() - score) / 2)
    apart = np.array([fit.solution.fixes.position_m[0] - best.solution.fixes.position_m[0] for fit in every])
    moments = np.array([fit.covariance_m2 for fit in every]) + apart[:, :, None] * apart[:, None, :]
    covariance = np.tensordot(weight / weight.sum(), moments, axes=1)
    between = covariance - best.covariance_m2
    if between[2, 2] < 0:  # another explanation that knows the height better makes it no better known
        between, covariance = np.zeros((3, 3)), best.covariance_m2
    return replace(best, interval_m=(low, high), covariance_m2=covariance, ambiguous=True, between_m2=between)


def _score(fit: Fit, options: Options) -> float:
    """Return minus twice the log-likelihood of an explanation, up to what all of one flight share, as the search has it."""
    fixes = fit.solution.fixes
    implausible = min(float(_implausible(fixes.position_m, options)[0]), CRITICAL_W**2)
    return float(fixes.chi2[0]) - CRITICAL_W**2 * int(fit.kept.sum()) + implausible


def _implausible(position_m: Vector, options: Options) -> Vector:
    """Return how far (K, 3) positions lie from the pad for their height, like a cost."""
    cost: Vector = np.sum(position_m[:, :2] ** 2, axis=1) / options.drift.variance_m2(position_m[:, 2])
    return cost


def search(batch: Batch, options: Options) -> list[Consensus | None]:
    """Return the most likely choice of the readings of every flight of a batch; all of them take their steps together."""

    found: list[Consensus | None] = [None] * len(batch.present)
    searches = {k: consensus(present.ravel(), partial(_implausible, options=options)) for k, present in enumerate(batch.present)}
    asked = {k: next(own) for k, own in searches.items()}
    while asked:
        trials = _trials(batch, asked, options)
        answered, asked = asked, {}
        for k in answered:
            try:
                asked[k] = searches[k].send(trials[k])
            except StopIteration as end:
                found[k] = end.value
    return found


def _trials(batch: Batch, asked: Mapping[int, Mask], options: Options) -> dict[int, Trial]:
    """Return the fits of flights to the (K, M) choices of their readings that are asked for, all solved at once."""
    counts = [len(choices) for choices in asked.values()]
    many = batch.take(np.repeat(np.array(list(asked), dtype=np.intp), counts))
    kept = np.concatenate(list(asked.values())).reshape(-1, *batch.present.shape[1:])
    solution = solve(many.keep(kept), options, most_steps=_TRIAL_STEPS)
    fixes = solution.fixes
    parts = (fixes.position_m, fixes.covariance_m2, *_judged(many, kept, solution), fixes.solved)
    split = zip(*(np.split(part, np.cumsum(counts)[:-1]) for part in parts), strict=True)
    return {k: Trial(*own) for k, own in zip(asked, split, strict=True)}


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
