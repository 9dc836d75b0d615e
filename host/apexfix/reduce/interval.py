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
from scipy.special import ndtri

from apexfix.model import Vector
from apexfix.reduce.lean import Lean
from apexfix.reduce.sightline import Linearised, Sightlines, linearise

COVERAGE_SIGMAS: Final = float(ndtri(0.975))
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


def height_intervals(position_m: Vector, covariance_m2: Vector, lines: Sightlines, lean: Lean | None = None) -> HeightIntervals:
    """Return the 95 % intervals of F solved heights.

    Parameters
    ----------
    position_m : (F, 3) where the cost is least
    covariance_m2 : (F, 3, 3) of first order
    lines : the readings with their full sigmas
    lean : what was believed about the drift, where the fixes needed it
    """
    count = len(position_m)
    both = lines.take(np.tile(np.arange(count), 2))
    fit, spread = np.tile(position_m.T, 2), np.tile(covariance_m2, (2, 1, 1))
    side = np.repeat([-1.0, 1.0], count)
    least = _cost(fit, both, lean)
    sigma = np.sqrt(spread[:, 2, 2])
    ends, reached, first = _ends(_Search(fit, spread, side, sigma, least, both, lean))
    return HeightIntervals(ends[:count], ends[count:], first[:count] & first[count:], reached[:count] & reached[count:])


def stretched(interval_m: tuple[float, float], height_m: float, factor: float) -> tuple[float, float]:
    """Return the interval of a height whose sigma is larger by a factor: its half width grows with it, its skew with the square.

    Examples
    --------
    >>> stretched((90.0, 112.0), 100.0, 2.0)
    (82.0, 126.0)
    """
    below, above = height_m - interval_m[0], interval_m[1] - height_m
    half, skew = factor * (above + below) / 2, factor**2 * (above - below) / 2
    # a skew as large as the interval is wide would put an end on the wrong side
    skew = min(max(skew, -0.9 * half), 0.9 * half)
    return height_m - half + skew, height_m + half + skew


@dataclass(frozen=True, slots=True)
class _Search:
    fit: Vector  # (3, K)
    covariance: Vector  # (K, 3, 3)
    side: Vector  # (K,) -1 below, +1 above
    sigma: Vector  # (K,)
    least: Vector  # (K,)
    lines: Sightlines
    lean: Lean | None


def _ends(search: _Search) -> tuple[Vector, NDArray[np.bool_], NDArray[np.bool_]]:
    """Walk the signed root of the rise in cost, which is nearly straight in the height, by secants."""
    fit_height, tilt = search.fit[2], search.side * search.covariance[:, :2, 2].T / search.sigma**2
    # the furthest offset that is known to be inside, its root, and where the cost is least there
    inner, inner_root, inner_level = np.zeros_like(fit_height), np.zeros_like(fit_height), search.fit[:2]
    offset = COVERAGE_SIGMAS * search.sigma
    root = np.zeros_like(offset)
    for turn in range(_ROUNDS):
        level = inner_level + (offset - inner) * tilt
        position = _eased(np.vstack([level, fit_height + search.side * offset]), search.lines, search.lean)
        root = np.sqrt(np.maximum(_cost(position, search.lines, search.lean) - search.least, 0.0))
        if turn == 0:
            first = np.abs(root - COVERAGE_SIGMAS) <= FIRST_ORDER_TOLERANCE
        miss = np.abs(root - COVERAGE_SIGMAS)
        done = (miss <= _CLOSE) | first
        if done.all():
            break
        slope = (root - inner_root) / np.where(offset == inner, np.inf, offset - inner)
        safe = np.where(slope > 0, slope, np.inf)
        wanted = np.where(slope > 0, inner + (COVERAGE_SIGMAS - inner_root) / safe, _GROWTH * offset)
        within = (root < COVERAGE_SIGMAS) & ~done
        inner, inner_root = np.where(within, offset, inner), np.where(within, root, inner_root)
        inner_level = np.where(within, position[:2], inner_level)
        offset = np.where(done, offset, np.clip(wanted, 0.2 * offset, _GROWTH * offset))
    return fit_height + search.side * offset, first | (np.abs(root - COVERAGE_SIGMAS) <= FIRST_ORDER_TOLERANCE), first


def _cost(position_m: Vector, lines: Sightlines, lean: Lean | None) -> Vector:
    """Return minus twice the log-likelihood up to a constant, (K,), at (3, K) positions."""
    seen = linearise(position_m, lines)
    total: Vector = np.sum(seen.across**2 + seen.along**2, axis=-1)
    total += _precision(position_m, lean) * np.sum(position_m[:2] ** 2, axis=0)
    return total


def _precision(position_m: Vector, lean: Lean | None) -> Vector:
    return np.zeros_like(position_m[2]) if lean is None else 1 / lean.variance_m2(position_m[2])


def _eased(position_m: Vector, lines: Sightlines, lean: Lean | None) -> Vector:
    """Return the positions moved in east and north, at the same height, to where the cost is least."""
    for _ in range(_INNER_STEPS):
        step = _level_step(linearise(position_m, lines), position_m, _precision(position_m, lean))
        longest = 0.5 * np.abs(position_m[2]) + 1.0
        short = np.minimum(1.0, longest / np.maximum(np.hypot(*step), 1e-12))
        position_m = np.vstack([position_m[:2] + short * step, position_m[2]])
    return position_m


def _level_step(seen: Linearised, position_m: Vector, precision: Vector) -> Vector:
    """Return the Gauss-Newton step in east and north, (2, K)."""
    (ae, an, _), (le, ln, _) = seen.across_gradient, seen.along_gradient
    ee, en, nn = (np.sum(x, axis=-1) for x in (ae * ae + le * le, ae * an + le * ln, an * an + ln * ln))
    be, bn = (np.sum(x, axis=-1) for x in (ae * seen.across + le * seen.along, an * seen.across + ln * seen.along))
    be, bn = be - precision * position_m[0], bn - precision * position_m[1]
    ridge = precision + 1e-9 * (ee + nn) + 1e-300  # a direction that nothing sees stays where it is
    ee, nn = ee + ridge, nn + ridge
    determinant = ee * nn - en * en
    step: Vector = np.stack([nn * be - en * bn, ee * bn - en * be]) / determinant
    return step
