"""A stated figure with its spread, and what it may be instead."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.model import Vector

# Seven nodes integrate a polynomial of degree 13 exactly; outcomes bend far less than that over a few sigmas.
_NODES: Final = 7


@dataclass(frozen=True, slots=True)
class Quantity:
    """A figure as a person states it: the value and one standard deviation, which may be zero."""

    value: float
    sigma: float
    positive: bool = True  # True: log-normal of this mean and sigma, so that no draw has the wrong sign; False: normal


def at(quantity: Quantity, normal: Vector) -> Vector:
    """Return the figures that stand at standard normal scores, in the quantity's own unit.

    Examples
    --------
    >>> at(Quantity(5.0, 2.0, positive=False), np.array([-1.0, 0.0, 1.0])).tolist()
    [3.0, 5.0, 7.0]
    """
    if not quantity.positive or quantity.value <= 0:
        return quantity.value + quantity.sigma * normal
    spread2 = np.log1p((quantity.sigma / quantity.value) ** 2)
    return np.asarray(quantity.value * np.exp(np.sqrt(spread2) * normal - spread2 / 2))


def normal_nodes() -> tuple[Vector, Vector]:
    """Return scores and weights, both (7,), that average a smooth function over a standard normal (Gauss-Hermite)."""
    node, weight = np.polynomial.hermite_e.hermegauss(_NODES)
    return node, weight / weight.sum()


def score(quantity: Quantity, value: float) -> float:
    """Return the standard normal score at which a figure stands: what `at` turns back into it; 0 where there is no spread.

    Examples
    --------
    >>> score(Quantity(5.0, 2.0, positive=False), 7.0)
    1.0
    """
    if quantity.sigma == 0:
        return 0.0
    if not quantity.positive or quantity.value <= 0:
        return (value - quantity.value) / quantity.sigma
    spread2 = float(np.log1p((quantity.sigma / quantity.value) ** 2))
    return float(np.log(value / quantity.value) + spread2 / 2) / float(np.sqrt(spread2))
