"""What flights say about a rocket: Bayes' rule with the stated figures as the prior and the whole flight as the model.

Every uncertain figure is carried by a standard normal score. What belongs to one flight alone (wind, launch angle, fill) is
averaged over; what is the rocket's is drawn from a distribution that is fitted, round by round, to the weights that the flights
give (adaptive importance sampling; Bugallo et al., *IEEE Signal Processing Magazine* 34, 2017). A bent ridge keeps its bend.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.learn.problem import EXPONENT, Problem
from apexfix.learn.surface import Surface, at_scores, fitted
from apexfix.model import Vector
from apexfix.predict import Quantity
from apexfix.predict.bottle import EXPONENTS
from apexfix.predict.outlook import latin_scores
from apexfix.predict.quantity import at

SAMPLES: Final = 4000
FEW: Final = 200  # draws that count; fewer make the sigmas uncertain by a twentieth and more
_OWN_POINTS: Final = 500  # over the wind, the angle and the fill of one flight
_TRIAL: Final = 600  # draws in a round of adaptation
_ROUNDS: Final = 12
_ENOUGH: Final = 0.1  # share of the draws that must count when the distribution is adapted
_SETTLED: Final = 0.4  # share at which it is good enough
_TAILS: Final = 20.0  # degrees of freedom of the draws: wider than the normal, so that no weight runs away
_WIDER: Final = 1.5  # the second surface reaches this much beyond the posterior's sigmas


@dataclass(frozen=True, slots=True)
class Posterior:
    """What is known of a rocket after its flights. Means and covariances are those of the weighted draws."""

    problem: Problem
    draws: Vector  # (S, N) scores
    weights: Vector  # (N,) sum 1
    effective: float  # how many equally weighted draws are worth as much
    mean: Vector  # (S,) of the scores
    covariance: Vector  # (S, S) of the scores
    own_mean: Vector  # (F, O) of each flight's own scores
    surface_sigma: Vector  # (F, 2) of the polynomials' own error, in m and s
    quantities: Mapping[str, Quantity]  # the shared figures with what is now known of them


@dataclass(frozen=True, slots=True)
class _Belief:
    """A normal or Student's distribution of the independent shared scores."""

    mean: Vector
    covariance: Vector


def learnt(asked: Problem, samples: int = SAMPLES, seed: int = 1) -> Posterior:
    """Return what the flights say; the same seed gives the same answer."""
    draw, shared = np.random.default_rng(seed), len(asked.shared)
    own = latin_scores(draw, len(asked.own), _OWN_POINTS)
    prior = _Belief(np.zeros(shared), np.eye(shared))
    first = fitted(asked, prior.mean, np.ones(shared), seed)
    rough = _adapted(asked, first, own, prior, draw)
    surface = fitted(asked, rough.mean, _WIDER * np.sqrt(np.diag(rough.covariance)), seed + 1)
    unit, weights = _weighted(asked, surface, own, _adapted(asked, surface, own, rough, draw), (draw, samples))
    return _posterior(asked, surface, own, unit, weights)


def region_distance2(found: Posterior, names: tuple[str, ...], scores: Vector) -> float:
    """Return the squared distance of scores from what was learnt, in its sigmas; below 5.99 lies the 95 % region of two figures."""
    rows = [found.problem.shared.index(name) for name in names]
    off = scores - found.mean[rows]
    return float(off @ np.linalg.solve(found.covariance[np.ix_(rows, rows)], off))


def _adapted(asked: Problem, surface: Surface, own: Vector, belief: _Belief, draw: np.random.Generator) -> _Belief:
    """Return a distribution near the posterior. Where few draws would count, their weights are first flattened by a power."""
    for _ in range(_ROUNDS):
        unit, log_weight = _drawn(asked, surface, own, belief, (draw, _TRIAL))
        power = _flattening(log_weight)
        weights = _normalised(power * log_weight)
        mean = unit @ weights
        belief = _Belief(mean, _covariance(unit, mean, weights))
        if power == 1 and 1 / np.sum(weights**2) > _SETTLED * _TRIAL:
            break
    return belief


def _flattening(log_weight: Vector) -> float:
    """Return the largest power up to one that leaves enough draws that count."""
    for power in 0.5 ** (np.arange(40) / 2):
        if 1 / np.sum(_normalised(power * log_weight) ** 2) >= _ENOUGH * len(log_weight):
            return float(power)
    return float(power)


def _normalised(log_weight: Vector) -> Vector:
    return np.asarray(np.exp(log_weight - _log_sum(log_weight)))


def _log_sum(log_terms: Vector) -> Vector:
    """Return the logarithm of the sum of terms over their last axis, all of which may be too small for a number."""
    peak = log_terms.max(axis=-1, keepdims=True)
    return np.asarray(np.log(np.exp(log_terms - peak).sum(axis=-1)) + peak[..., 0])


def _covariance(values: Vector, mean: Vector, weights: Vector) -> Vector:
    off = values - mean[:, None]
    return np.asarray((off * weights) @ off.T)


def _weighted(
    asked: Problem, surface: Surface, own: Vector, belief: _Belief, drawing: tuple[np.random.Generator, int]
) -> tuple[Vector, Vector]:
    unit, log_weight = _drawn(asked, surface, own, belief, drawing)
    return unit, _normalised(log_weight)


def _drawn(
    asked: Problem, surface: Surface, own: Vector, belief: _Belief, drawing: tuple[np.random.Generator, int]
) -> tuple[Vector, Vector]:
    """Return columns (S, N) of independent scores drawn from Student's distribution, and the logarithms of their weights."""
    draw, samples = drawing
    size, pairs = len(belief.mean), (samples + 1) // 2
    half = draw.standard_normal((size, pairs)) / np.sqrt(draw.chisquare(_TAILS, pairs) / _TAILS)
    spread = np.concatenate([half, -half], axis=1)  # pairs cancel the first-order noise of the means
    unit = belief.mean[:, None] + np.linalg.cholesky(belief.covariance) @ spread
    log_drawn = -(_TAILS + size) / 2 * np.log1p(np.sum(spread**2, axis=0) / _TAILS)
    log_prior = np.where(_possible(asked, unit), -np.sum(unit**2, axis=0) / 2, -np.inf)
    log_likely = sum(_log_sum(_fits(asked, surface, flight, unit, own)) for flight in range(len(asked.measured)))
    return unit, np.asarray(log_prior + log_likely - log_drawn)


def _possible(asked: Problem, unit: Vector) -> NDArray[np.bool_]:
    """Return (N,) which columns of independent scores could be a rocket: air expands between two bounds, whatever was stated."""
    if EXPONENT not in asked.shared:
        return np.ones(unit.shape[1], dtype=bool)
    row, (least, most) = asked.shared.index(EXPONENT), EXPONENTS
    value = at(asked.rocket.quantities[EXPONENT], asked.factor[row, : len(unit)] @ unit)
    return np.asarray((least <= value) & (value <= most))


def _fits(asked: Problem, surface: Surface, flight: int, unit: Vector, own: Vector) -> Vector:
    """Return the logarithm (N, K) of how well one flight fits at shared scores (S, N) and own scores (O, K)."""
    total = np.zeros((unit.shape[1], own.shape[1]))
    for quantity in (0, 1):
        seen = asked.seen[flight, quantity]
        if not np.isnan(seen):
            sigma = np.hypot(asked.sigma[flight, quantity], surface.spread[flight, quantity])
            total -= ((seen - at_scores(surface, flight, quantity, unit, own)) / sigma) ** 2 / 2
    return total


def _posterior(asked: Problem, surface: Surface, own: Vector, unit: Vector, weights: Vector) -> Posterior:
    count = len(asked.shared)
    draws = asked.factor[:count, :count] @ unit
    own_mean = []
    for flight in range(len(asked.measured)):
        fits = _fits(asked, surface, flight, unit, own)
        share = weights @ np.exp(fits - _log_sum(fits)[:, None])
        own_mean.append(asked.factor[count:] @ np.concatenate([unit @ weights, own @ share]))
    mean = draws @ weights
    return Posterior(
        asked,
        draws,
        weights,
        1 / float(np.sum(weights**2)),
        mean,
        _covariance(draws, mean, weights),
        np.array(own_mean),
        surface.spread,
        {name: _known(asked.rocket.quantities[name], draws[row], weights) for row, name in enumerate(asked.shared)},
    )


def _known(stated: Quantity, scores: Vector, weights: Vector) -> Quantity:
    values = at(stated, scores)
    mean = float(values @ weights)
    return Quantity(mean, float(np.sqrt(weights @ (values - mean) ** 2)), stated.positive)
