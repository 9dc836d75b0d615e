"""The way down to the arcs that fit the tracks of a batch of flights best.

The rows are those of :mod:`apexfix.reduce.arc_rows`.
"""

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from apexfix.model import Stamps, Vector
from apexfix.reduce.arc_rows import Normal, Setting, normal
from apexfix.reduce.sightline import Mask

_ITERATIONS: Final = 20
_REST: Final = 1e-3  # what a step may still promise to take off the sum of squares: a thirtieth of a sigma of anything solved for
_LEAST_DAMPING: Final = 1e-3
_RIDGE: Final = 1e-13  # of a scaled matrix: above rounding, below all that is known
_TINY: Final = 1e-12


@dataclass(frozen=True, slots=True)
class _Descent:
    """Where some flights of a batch are on their way down."""

    flight: Stamps  # (G,) their numbers in the batch
    unknown: Vector  # (G, P)
    here: Normal
    damping: Vector  # (G,) of the scaled matrix, 0 at first
    growth: Vector  # (G,) what the damping grows by at the next failure

    def of(self, some: Mask) -> "_Descent":
        return _Descent(self.flight[some], self.unknown[some], self.here.of(some), self.damping[some], self.growth[some])


def down(unknown: Vector, weight: Vector, setting: Setting) -> tuple[Vector, Mask]:
    """Return the (F, P) unknowns where the sums of squares are least, and the (F,) flights whose way down came to rest.

    Levenberg and Marquardt's damping on scaled unknowns, steered by how much of the promised gain each step brings (H. B. Nielsen,
    Technical University of Denmark, report IMM-REP-1999-05; from memory).
    """
    unknown, rested = unknown.copy(), np.zeros(len(unknown), dtype=bool)
    all_of_them = np.arange(len(unknown))
    going = _Descent(all_of_them, unknown, normal(unknown, weight, setting), np.zeros(len(unknown)), np.full(len(unknown), 2.0))
    for _ in range(_ITERATIONS):
        full, step, promised = _steps(going)
        resting = np.sum(full.slope * full.step, axis=1) < _REST
        unknown[going.flight[resting]] += (full.step / full.size)[resting]
        rested[going.flight[resting]] = True
        going, step, promised = going.of(~resting), step[~resting], promised[~resting]
        if not len(going.flight):
            break
        there = normal(going.unknown + step, weight[going.flight], replace(setting, seen=setting.seen.of(going.flight)))
        gained = going.here.cost - there.cost
        # where an opening meets a sample the arc has a crease, and rests in it
        creased = (gained <= 0) & (promised < _REST)
        rested[going.flight[creased]] = True
        going = _stepped(going, step, there, gained / promised).of(~creased)
        unknown[going.flight] = going.unknown
        if not len(going.flight):
            break
    return unknown, rested


class _Full(NamedTuple):
    """Steps without damping, in scaled unknowns."""

    step: Vector  # (G, P)
    slope: Vector  # (G, P)
    size: Vector  # (G, P) of the scaling


def _steps(going: _Descent) -> tuple[_Full, Vector, Vector]:
    """Return the full steps, the (G, P) damped ones in their own units, and the (G,) gains that these promise."""
    scaled, size = _scaled(going.here.matrix)
    eye = np.eye(size.shape[1])
    slope = np.asarray(going.here.slope / size)
    full = np.asarray(np.linalg.solve(scaled, slope[..., None])[..., 0], dtype=np.float64)
    damping = going.damping[:, None]
    step = np.linalg.solve(scaled + damping[..., None] * eye, slope[..., None])[..., 0] if damping.any() else full
    return _Full(full, slope, size), step / size, np.sum(step * (slope + damping * step), axis=1)


def _stepped(going: _Descent, step: Vector, there: Normal, kept: Vector) -> _Descent:
    """Return the flights after a step, where it gained, with the damping of the next; `kept` is (G,) gained over promised."""
    better = kept > 0
    damping = going.damping * np.maximum(1 / 3, 1 - (2 * kept - 1) ** 3)
    damping = np.where(better, damping, np.maximum(going.damping * going.growth, _LEAST_DAMPING))
    here = Normal(
        np.where(better, there.cost, going.here.cost),
        np.where(better[:, None], there.slope, going.here.slope),
        np.where(better[:, None, None], there.matrix, going.here.matrix),
    )
    return _Descent(
        flight=going.flight,
        unknown=going.unknown + np.where(better[:, None], step, 0.0),
        here=here,
        damping=np.where(better & (damping <= _LEAST_DAMPING), 0.0, damping),
        growth=np.where(better, 2.0, 2 * going.growth),
    )


def covariance(information: Vector) -> Vector:
    """Return the (F, P, P) inverses."""
    scaled, size = _scaled(information)
    return np.asarray(np.linalg.inv(scaled) / (size[:, :, None] * size[:, None, :]), dtype=np.float64)


def _scaled(matrix: Vector) -> tuple[Vector, Vector]:
    """Return matrices with a diagonal of ones, a ridge on top of it, and the (F, P) sizes that were taken out."""
    size = np.sqrt(np.maximum(np.diagonal(matrix, axis1=1, axis2=2), _TINY))
    return np.asarray(matrix / (size[:, :, None] * size[:, None, :]) + _RIDGE * np.eye(size.shape[1])), size
