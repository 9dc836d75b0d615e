"""Heights and times of all flights as polynomials of the third degree in their scores, so that millions of flights cost nothing.

A response surface (Box and Wilson, *J. Royal Statistical Society* B 13, 1951), fitted by least squares to a few hundred flights of
the whole model. What the polynomial leaves over is stated as a sigma of its own and joins that of the measurement.
"""

from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Final

import numpy as np

from apexfix.learn.problem import Problem, flown
from apexfix.model import Vector
from apexfix.predict.outlook import latin_scores

_DEGREE: Final = 3
_FLIGHTS_PER_TERM: Final = 6


@dataclass(frozen=True, slots=True)
class Surface:
    """Polynomials in the shared scores less their middle over their width, and in a flight's own scores."""

    middle: Vector  # (S,)
    width: Vector  # (S,)
    table: Vector  # (F, 2, terms of the shared scores, terms of the own)
    spread: Vector  # (F, 2) of what it leaves over, in m and s


def fitted(asked: Problem, middle: Vector, width: Vector, seed: int) -> Surface:
    """Return the surface around shared scores (S,), over one width (S,) as standard deviation; own scores over their prior."""
    shared, own, flights = len(asked.shared), len(asked.own), len(asked.measured)
    pairs = _pairs(shared, own)
    count = _FLIGHTS_PER_TERM * len(pairs)
    scores = latin_scores(np.random.default_rng(seed), shared + own, count)
    unit = np.concatenate([middle[:, None] + width[:, None] * scores[:shared], scores[shared:]])
    outcome = flown(asked, [asked.factor @ unit] * flights).reshape(2, flights, count)
    shared_terms, own_terms = terms(scores[:shared]), terms(scores[shared:])
    design = np.stack([shared_terms[i] * own_terms[j] for i, j in pairs], axis=1)
    found = np.linalg.lstsq(design, outcome.reshape(2 * flights, count).T, rcond=None)[0]
    left = outcome.reshape(2 * flights, count).T - design @ found
    spread = np.sqrt(np.sum(left**2, axis=0) / (count - len(pairs)))
    table = np.zeros((2 * flights, len(shared_terms), len(own_terms)))
    for column, (i, j) in enumerate(pairs):
        table[:, i, j] = found[column]
    by_flight = table.reshape(2, flights, *table.shape[1:]).transpose(1, 0, 2, 3)
    return Surface(middle, width, by_flight, spread.reshape(2, flights).T)


def at_scores(surface: Surface, flight: int, quantity: int, shared: Vector, own: Vector) -> Vector:
    """Return the heights in m (quantity 0) or times in s (1) (N, K) of a flight at shared scores (S, N) and own scores (O, K)."""
    local = (shared - surface.middle[:, None]) / surface.width[:, None]
    return np.asarray(terms(local).T @ surface.table[flight, quantity] @ terms(own))


def terms(scores: Vector) -> Vector:
    """Return all products of up to three scores: (n, N) to (terms, N), the constant first.

    Examples
    --------
    >>> terms(np.array([[2.0], [3.0]])).ravel().tolist()
    [1.0, 2.0, 3.0, 4.0, 6.0, 9.0, 8.0, 12.0, 18.0, 27.0]
    """
    return np.stack([np.prod(scores[list(rows)], axis=0) for rows in _products(len(scores))])


def _products(count: int) -> list[tuple[int, ...]]:
    return [rows for degree in range(_DEGREE + 1) for rows in combinations_with_replacement(range(count), degree)]


def _pairs(shared: int, own: int) -> list[tuple[int, int]]:
    """Return the positions of shared and own terms whose product is of no higher degree than the surface."""
    return [
        (i, j)
        for i, one in enumerate(_products(shared))
        for j, other in enumerate(_products(own))
        if len(one) + len(other) <= _DEGREE
    ]
