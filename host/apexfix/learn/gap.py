"""Why a flight was higher or lower than predicted: what each input would have to be alone, and what it most likely was."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from apexfix.learn.posterior import Posterior
from apexfix.learn.problem import Problem, flown
from apexfix.model import Vector
from apexfix.predict.quantity import at, score

_FARTHEST: Final = 5.0  # sigmas that one input may be off alone
_GRID: Final = 81
_STEP: Final = 0.05  # of a score


@dataclass(frozen=True, slots=True)
class Reason:
    """What one input has to do with a gap; figures are in the package's own units."""

    name: str
    stated: float
    alone: float | None  # what it would have to be if everything else were as stated; None: not within five sigmas
    alone_sigmas: float | None
    likely: float  # what it most likely was in this flight, all evidence together
    likely_sigmas: float
    part_m: float  # of the gap that this explains


@dataclass(frozen=True, slots=True)
class Gap:
    """Measured less predicted, for one flight. The parts of the reasons and what is left add up to the gap in height."""

    flight: int
    measured_m: float
    predicted_m: float  # at the stated figures
    sigma_m: float  # of the gap by all stated sigmas and the measurement's, first order
    reasons: tuple[Reason, ...]  # largest part first
    left_m: float  # to the measurement
    measured_s: float | None
    predicted_s: float

    @property
    def height_m(self) -> float:
        """The gap itself."""
        return self.measured_m - self.predicted_m


def gaps(found: Posterior) -> tuple[Gap, ...]:
    """Return the gap of every flight with its reasons."""
    return tuple(_gap(found, flight) for flight in range(len(found.problem.measured)))


def _gap(found: Posterior, flight: int) -> Gap:
    asked, one = found.problem, found.problem.measured[flight]
    names = asked.shared + asked.own
    stated = np.array([score(one.rocket.quantities[name], one.rocket.quantities[name].value) for name in names])
    likely = np.concatenate([found.mean, found.own_mean[flight]])
    height_m, time_s, here = _with_slopes(asked, flight, stated)
    there = _with_slopes(asked, flight, likely)[2]
    # the mean of the slopes at both ends is exact for a height that bends like a parabola on the way
    parts = (here + there) / 2 * (likely - stated)
    alone = _alone(asked, flight, stated)
    reasons = [_reason(asked, flight, name, (stated[i], likely[i], alone[i]), float(parts[i])) for i, name in enumerate(names)]
    return Gap(
        one.flight,
        one.height_m,
        height_m,
        float(np.hypot(np.linalg.norm(here @ asked.factor), one.sigma_height_m)),
        tuple(sorted(reasons, key=lambda reason: -abs(reason.part_m))),
        one.height_m - height_m - float(parts.sum()),
        one.time_s,
        time_s,
    )


def _single(asked: Problem, flight: int) -> Problem:
    return replace(asked, measured=asked.measured[flight : flight + 1])


def _with_slopes(asked: Problem, flight: int, scores: Vector) -> tuple[float, float, Vector]:
    """Return the height, the time and the slopes (n,) of the height by each score."""
    count = len(scores)
    moves = _STEP * np.concatenate([np.zeros((count, 1)), np.eye(count), -np.eye(count)], axis=1)
    height_m, time_s = flown(_single(asked, flight), [scores[:, None] + moves])
    return float(height_m[0]), float(time_s[0]), (height_m[1 : count + 1] - height_m[count + 1 :]) / (2 * _STEP)


def _alone(asked: Problem, flight: int, stated: Vector) -> list[float | None]:
    """Return for each input the score nearest to the stated one at which it alone gives the measured height."""
    count, grid = len(stated), np.linspace(-_FARTHEST, _FARTHEST, _GRID)
    columns = stated[:, None] + np.kron(np.eye(count), grid)
    heights_m = flown(_single(asked, flight), [columns])[0].reshape(count, _GRID)
    off_m = heights_m - asked.measured[flight].height_m
    return [_nearest_root(grid, row, float(at_stated)) for row, at_stated in zip(off_m, stated, strict=True)]


def _nearest_root(grid: Vector, off: Vector, stated: float) -> float | None:
    crossed = np.flatnonzero(off[:-1] * off[1:] <= 0)
    if len(crossed) == 0 or np.ptp(off) == 0:
        return None
    drop = off[crossed] - off[crossed + 1]
    share = np.divide(off[crossed], drop, out=np.zeros(len(crossed)), where=drop != 0)
    roots = grid[crossed] + share * (grid[1] - grid[0])
    return stated + float(roots[np.argmin(np.abs(roots))])


def _reason(asked: Problem, flight: int, name: str, scores: tuple[float, float, float | None], part_m: float) -> Reason:
    quantity = asked.measured[flight].rocket.quantities[name]
    stated, likely, alone = scores

    def value(where: float) -> float:
        return float(at(quantity, np.array([where]))[0])

    return Reason(
        name,
        quantity.value,
        None if alone is None else value(alone),
        None if alone is None else alone - stated,
        value(likely),
        likely - stated,
        part_m,
    )
