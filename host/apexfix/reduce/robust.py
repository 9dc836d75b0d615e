"""Which readings are wrong: global test, data snooping, an exhaustive search for consensus, and what could not have been seen.

Everything works on *whitened* readings: residuals over their sigmas, in the order azimuth, elevation of the first station, of the
second, and so on (M = 2 N of them, those that are missing have a row of zeros in the Jacobian).

The search
----------
Removing the worst reading one at a time is greedy: with several blunders, healthy readings are accused first. Instead every small
set of readings proposes a position, the readings that agree with it are gathered, and the sets are compared by one figure:

    cost of the readings that are kept + 3.29^2 for each that is not + how implausible the drift is

which is minus twice the log-likelihood of a model in which a reading is wild once in a while (the bounded loss of a redescending
M-estimator). The drift enters the comparison only, never the answer: it keeps one bad station from winning against another by
placing the apex where no model goes.
"""

from collections.abc import Callable, Generator
from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, ndtri

from apexfix.model import Vector

Mask = NDArray[np.bool_]

# Baarda, *A testing procedure for use in geodetic networks*, Netherlands Geodetic Commission 2 (5), 1968: one test in a thousand
# accuses a healthy reading, and four blunders of the size of the minimal detectable one in five are found.
ALPHA_READING: Final = 0.001
POWER: Final = 0.80
CRITICAL_W: Final = float(ndtri(1 - ALPHA_READING / 2))  # 3.29
NON_CENTRALITY: Final = float((CRITICAL_W + ndtri(POWER)) ** 2)  # 17.07
ALPHA_GLOBAL: Final = 0.001

UNKNOWNS: Final = 3
_UNCHECKED: Final = 1e-6  # a redundancy below this is rounding: nothing checks the reading
_PAIRS_LIMIT: Final = 24  # readings: up to here every pair of them is left out in turn
_TRIPLES_LIMIT: Final = 1500  # proposals from three readings each; beyond it a fixed sample of them
_GATHERINGS: Final = 4
RIVAL_MARGIN: Final = 6.0  # twice the logarithm of a likelihood ratio of 20: explanations nearer than this cannot be told apart


def global_test(cost: float, redundancy: int) -> float:
    """Return how probable a cost at least as large is if all stated sigmas are true; 1 where nothing is redundant.

    Examples
    --------
    >>> round(global_test(3.8415, 1), 4)
    0.05
    """
    return float(chdtrc(redundancy, cost)) if redundancy > 0 else 1.0


def excess(cost: float, redundancy: int) -> float:
    """Return by how much the readings scatter more than their variances say, 1 where the global test does not fail."""
    return cost / redundancy if global_test(cost, redundancy) < ALPHA_GLOBAL else 1.0


def redundancies(jacobian: Vector, covariance_m2: Vector) -> Vector:
    """Return how far each of (..., M) whitened readings is checked by the others: 0 not at all, 1 wholly.

    The diagonal of I - J C J^T; over all readings it adds up to their number less that of the unknowns.
    """
    taken = np.einsum("...mi,...ij,...mj->...m", jacobian, covariance_m2, jacobian)
    present = np.any(jacobian != 0, axis=-1)
    return np.where(present, np.clip(1 - taken, 0.0, 1.0), 0.0)


def snooping(residual: Vector, redundancy: Vector) -> Vector:
    """Return Baarda's w of (..., M) whitened residuals: standard normal for a healthy reading, 0 for one that nothing checks."""
    checked = redundancy > _UNCHECKED
    return np.where(checked, residual / np.sqrt(np.where(checked, redundancy, 1.0)), 0.0)


def detectable_sigmas(redundancy: Vector) -> Vector:
    """Return the smallest blunder of each reading that snooping finds four times in five, in sigmas; infinite where unchecked.

    Examples
    --------
    >>> detectable_sigmas(np.array([1.0, 0.25, 0.0])).round(2).tolist()
    [4.13, 8.26, inf]
    """
    checked = redundancy > _UNCHECKED
    return np.where(checked, np.sqrt(NON_CENTRALITY / np.where(checked, redundancy, 1.0)), np.inf)


@dataclass(frozen=True, slots=True)
class Trial:
    """Fits of the same flight to K choices of its readings."""

    position_m: Vector  # (K, 3)
    covariance_m2: Vector  # (K, 3, 3)
    residual: Vector  # (K, M) whitened, of all readings, also of those that were left out; 0 where missing
    jacobian: Vector  # (K, M, 3)
    solved: Mask  # (K,)


@dataclass(frozen=True, slots=True)
class Consensus:
    """What the search found."""

    kept: Mask  # (M,)
    score: float
    rivals: tuple[Mask, ...]  # other choices that explain the readings about as well and accuse others; best first


Search = Generator[Mask, Trial, "Consensus | None"]  # asks for the fits of (K, M) choices of readings until it knows
Penalty = Callable[[Vector], Vector]  # (K, 3) positions -> (K,) how implausible, like a cost


def consensus(present: Mask, implausible: Penalty) -> Search:
    """Search for the most likely choice of readings; None where no choice of four or more readings can be solved.

    A generator, so that the searches of many flights can have their fits made together.
    """
    scores: dict[bytes, float] = {}
    choices = np.unique(np.vstack([_left_out(present), _proposals(present)]), axis=0)
    for _ in range(_GATHERINGS):
        trial = yield choices
        scores.update(zip((choice.tobytes() for choice in choices), _scores(trial, choices, present, implausible), strict=True))
        agreeing = present & (np.abs(_standardised(trial, choices)) <= CRITICAL_W)
        gathered = np.unique(agreeing[trial.solved], axis=0)
        choices = np.array([g for g in gathered if g.sum() > UNKNOWNS and g.tobytes() not in scores]).reshape(-1, len(present))
        if len(choices) == 0:
            break
    return _most_likely(scores)


def _most_likely(scores: dict[bytes, float]) -> Consensus | None:
    ranked = sorted((score, choice) for choice, score in scores.items() if np.isfinite(score))
    if not ranked:
        return None
    best = np.frombuffer(ranked[0][1], dtype=bool)
    near = [np.frombuffer(choice, dtype=bool) for score, choice in ranked[1:] if score - ranked[0][0] < RIVAL_MARGIN]
    return Consensus(best, ranked[0][0], tuple(choice for choice in near if np.any(choice & ~best)))


def _scores(trial: Trial, choices: Mask, present: Mask, implausible: Penalty) -> Vector:
    kept_cost = np.sum(np.where(choices, trial.residual, 0.0) ** 2, axis=1)
    missing = np.sum(present & ~choices, axis=1)
    positions = np.where(trial.solved[:, None], trial.position_m, 1.0)
    total: Vector = kept_cost + CRITICAL_W**2 * missing + np.minimum(implausible(positions), CRITICAL_W**2)
    return np.where(trial.solved & (choices.sum(axis=1) > UNKNOWNS), total, np.inf)


def _left_out(present: Mask) -> Mask:
    """Return all readings, all but one, and all but two of them."""
    index = np.flatnonzero(present)
    deepest = 2 if len(index) <= _PAIRS_LIMIT else 1
    choices = []
    for count in range(deepest + 1):
        for out in combinations(index, count):
            choice = present.copy()
            choice[list(out)] = False
            choices.append(choice)
    return np.array(choices)


def _proposals(present: Mask) -> Mask:
    """Return choices of three readings, the fewest that make a position."""
    index = np.flatnonzero(present)
    if comb(len(index), UNKNOWNS) <= _TRIPLES_LIMIT:
        picks = np.array(list(combinations(index, UNKNOWNS)))
    else:
        draw = np.random.default_rng(0)
        picks = np.array([draw.choice(index, UNKNOWNS, replace=False) for _ in range(_TRIPLES_LIMIT)])
    choices = np.zeros((len(picks), len(present)), dtype=bool)
    np.put_along_axis(choices, picks, True, axis=1)
    return choices


def _standardised(trial: Trial, choices: Mask) -> Vector:
    """Return residuals over their own sigmas: a reading that was kept drew the position towards itself, the others did not."""
    covariance = np.where(trial.solved[:, None, None], trial.covariance_m2, 0.0)
    taken = np.einsum("kmi,kij,kmj->km", trial.jacobian, covariance, trial.jacobian)
    variance = np.where(choices, 1 - taken, 1 + taken)
    checked = variance > _UNCHECKED
    return np.where(checked, trial.residual / np.sqrt(np.where(checked, variance, 1.0)), 0.0)


def station_influence_m(residual: Vector, jacobian: Vector, covariance_m2: Vector) -> Vector:
    """Return by how much the height would change without each station, (N,); NaN where it could not be solved without.

    Parameters
    ----------
    residual : (2 N,) whitened
    jacobian : (2 N, 3) whitened

    Notes
    -----
    The down-dating of a linear adjustment: the change is -C J_s^T (I - J_s C J_s^T)^-1 v_s, with the rows of station s.
    """
    changes = []
    for rows, own in zip(jacobian.reshape(-1, 2, 3), residual.reshape(-1, 2), strict=True):
        remaining = np.eye(2) - rows @ covariance_m2 @ rows.T
        if np.linalg.det(remaining) < _UNCHECKED:
            changes.append(np.nan)
        else:
            changes.append(float(-covariance_m2[2] @ rows.T @ np.linalg.solve(remaining, own)))
    return np.array(changes)
