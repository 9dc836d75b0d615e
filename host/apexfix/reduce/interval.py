"""A 95 % interval of the height that covers, also where rays are steep and first order does not hold.

The ends are the heights at which the least cost over east and north has risen by the 95 % point of chi-square with one degree of
freedom: the profile-likelihood interval (Venzon and Moolgavkar, *Applied Statistics* 37, 1988, 87-94). Sightings bend
heights far more than they bend angles, and this interval does not care which of the two is asked: it is the one that a straight
scale would give. Where the first-order ends already lie on that contour they are kept.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from apexfix.model import Vector
from apexfix.reduce.least_squares import HorizontalPrior
from apexfix.reduce.sightline import Linearised, Sightlines, linearise

COVERAGE_SIGMAS: Final = float(norm.ppf(0.975))
# Half a unit in the second digit of the sigma is at most a twentieth of it: the tolerance of JCGM 101:2008, clause 7.9.2.
FIRST_ORDER_TOLERANCE: Final = 0.05
_CLOSE: Final = 2e-3  # in sigmas; the end of the search
_ROUNDS: Final = 12
_INNER_STEPS: Final = 4
_GROWTH: Final = 2.0  # no end moves further than this times its distance from the fix in one round


@dataclass(frozen=True, slots=True)
class HeightIntervals:
    """Intervals of F heights."""

    low_m: Vector  # (F,)
    high_m: Vector  # (F,)
    first_order: NDArray[np.bool_]  # (F,) the ends are estimate -+ 1.96 sigma, and that is good enough
    closed: NDArray[np.bool_]  # (F,) both ends were reached; where not, the true end lies further out


def height_intervals(
    position_m: Vector, covariance_m2: Vector, lines: Sightlines, prior: HorizontalPrior | None = None
) -> HeightIntervals:
    """Return the 95 % intervals of F solved heights.

    Parameters
    ----------
    position_m : (F, 3) where the cost is least
    covariance_m2 : (F, 3, 3) of first order
    lines : the readings with their full sigmas
    prior : of the drift, where the fix needed one; (F, 2) and (F, 2, 2)
    """
    count = len(position_m)
    held = _Held(np.zeros((2, 2 * count)), np.zeros((2 * count, 2, 2)))
    if prior is not None:
        held = _Held(np.tile(prior.mean_m.T, 2), np.tile(np.linalg.inv(prior.covariance_m2), (2, 1, 1)))
    both = lines.take(np.tile(np.arange(count), 2))
    fit, spread = np.tile(position_m.T, 2), np.tile(covariance_m2, (2, 1, 1))
    side = np.repeat([-1.0, 1.0], count)
    least = _cost(fit, both, held)
    sigma = np.sqrt(spread[:, 2, 2])
    ends, reached, first = _ends(_Search(fit, spread, side, sigma, least, both, held))
    return HeightIntervals(ends[:count], ends[count:], first[:count] & first[count:], reached[:count] & reached[count:])


@dataclass(frozen=True, slots=True)
class _Held:
    """The prior of the drift; a precision of zero where there is none."""

    mean: Vector  # (2, K)
    precision: Vector  # (K, 2, 2)

    def force(self, position_m: Vector) -> Vector:
        """Return the pull towards the mean, (2, K)."""
        pull: Vector = np.einsum("kij,jk->ik", self.precision, self.mean - position_m[:2])
        return pull


@dataclass(frozen=True, slots=True)
class _Search:
    fit: Vector  # (3, K)
    covariance: Vector  # (K, 3, 3)
    side: Vector  # (K,) -1 below, +1 above
    sigma: Vector  # (K,)
    least: Vector  # (K,)
    lines: Sightlines
    held: _Held


def _ends(search: _Search) -> tuple[Vector, NDArray[np.bool_], NDArray[np.bool_]]:
    """Walk the signed root of the rise in cost, which is nearly straight in the height, by secants."""
    fit_height, tilt = search.fit[2], search.covariance[:, :2, 2] / search.sigma[:, None] ** 2
    inner, inner_root = np.zeros_like(fit_height), np.zeros_like(fit_height)  # an offset that is still inside, and its root
    offset = COVERAGE_SIGMAS * search.sigma
    level = search.fit[:2] + (search.side * offset) * tilt.T
    root = np.zeros_like(offset)
    for turn in range(_ROUNDS):
        position = _eased(np.vstack([level, fit_height + search.side * offset]), search.lines, search.held)
        level = position[:2]
        root = np.sqrt(np.maximum(_cost(position, search.lines, search.held) - search.least, 0.0))
        if turn == 0:
            first = np.abs(root - COVERAGE_SIGMAS) <= FIRST_ORDER_TOLERANCE
        miss = np.abs(root - COVERAGE_SIGMAS)
        done = (miss <= _CLOSE) | first
        if done.all():
            break
        slope = (root - inner_root) / np.where(offset == inner, np.inf, offset - inner)
        safe = np.where(slope > 0, slope, np.inf)
        wanted = np.where(slope > 0, inner + (COVERAGE_SIGMAS - inner_root) / safe, _GROWTH * offset)
        within = root < COVERAGE_SIGMAS
        inner, inner_root = np.where(within & ~done, offset, inner), np.where(within & ~done, root, inner_root)
        offset = np.where(done, offset, np.clip(wanted, 0.2 * offset, _GROWTH * offset))
    return fit_height + search.side * offset, first | (np.abs(root - COVERAGE_SIGMAS) <= FIRST_ORDER_TOLERANCE), first


def _cost(position_m: Vector, lines: Sightlines, held: _Held) -> Vector:
    """Return minus twice the log-likelihood up to a constant, (K,), at (3, K) positions."""
    seen = linearise(position_m, lines)
    total: Vector = np.sum(seen.across**2 + seen.along**2, axis=-1)
    total += np.sum((held.mean - position_m[:2]) * held.force(position_m), axis=0)
    return total


def _eased(position_m: Vector, lines: Sightlines, held: _Held) -> Vector:
    """Return the positions moved in east and north, at the same height, to where the cost is least."""
    for _ in range(_INNER_STEPS):
        step = _level_step(linearise(position_m, lines), held.precision, held.force(position_m))
        longest = 0.5 * np.abs(position_m[2]) + 1.0
        short = np.minimum(1.0, longest / np.maximum(np.hypot(*step), 1e-12))
        position_m = np.vstack([position_m[:2] + short * step, position_m[2]])
    return position_m


def _level_step(seen: Linearised, precision: Vector, force: Vector) -> Vector:
    """Return the Gauss-Newton step in east and north, (2, K)."""
    (ae, an, _), (le, ln, _) = seen.across_gradient, seen.along_gradient
    ee, en, nn = (np.sum(x, axis=-1) for x in (ae * ae + le * le, ae * an + le * ln, an * an + ln * ln))
    be, bn = (np.sum(x, axis=-1) for x in (ae * seen.across + le * seen.along, an * seen.across + ln * seen.along))
    ee, en, nn = ee + precision[:, 0, 0], en + precision[:, 0, 1], nn + precision[:, 1, 1]
    be, bn = be + force[0], bn + force[1]
    ridge = 1e-9 * (ee + nn) + 1e-300  # a direction that nothing sees stays where it is
    ee, nn = ee + ridge, nn + ridge
    determinant = ee * nn - en * en
    step: Vector = np.stack([nn * be - en * bn, ee * bn - en * be]) / determinant
    return step
