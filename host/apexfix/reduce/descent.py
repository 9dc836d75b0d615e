"""The way down: Gauss-Newton steps with Levenberg-Marquardt damping, for many flights at once, each at its own pace."""

from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from apexfix.model import Vector
from apexfix.reduce.sightline import Linearised, Mask, Sightlines, linearise
from apexfix.reduce.symmetric import SINGULAR, Six, scaled_inverse, times
from apexfix.reduce.trouble import FARTHEST_M

MOST_STEPS = 60
# Of the last step, relative to the distance from the pad. Each step is a few hundredths of the one before it or less, so that
# what is left is well below the micrometre that is asked for.
_STEP_TOLERANCE = 1e-9
# Relative noise of a sum of squares in double precision, with a margin for the sums before it.
_ROUNDING = 1e-12
# Share of a sum of squares that a step may still promise where the iterations end.
_FLAT = 1e-7
_LEAST_DAMPING = 1e-4
_TRUSTED_DAMPING = 1.0
_MOST_DAMPING = 1e8

_Three = tuple[Vector, Vector, Vector]
_Arrays = TypeVar("_Arrays", Six, _Three)
Held = tuple[Vector, Vector]  # a prior of the drift: mean (F, 2), precision (F, 2, 2)


def held(prior: Held | None, flights: NDArray[np.intp]) -> Held | None:
    """Return the prior of some of the flights."""
    return None if prior is None else (prior[0][flights], prior[1][flights])


def normal(seen: Linearised, position_m: Vector, prior: Held | None) -> tuple[Six, _Three, Vector]:
    """Return the information matrix, the right-hand side and the weighted sum of squares."""
    a, e = seen.across_gradient, seen.along_gradient

    def summed(i: int, j: int) -> Vector:
        total: Vector = np.einsum("fn,fn->f", a[i], a[j]) + np.einsum("fn,fn->f", e[i], e[j])
        return total

    def pulled(i: int) -> Vector:
        total: Vector = np.einsum("fn,fn->f", a[i], seen.across) + np.einsum("fn,fn->f", e[i], seen.along)
        return total

    xx, yy, zz, xy, xz, yz = (summed(*pair) for pair in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)))
    x, y, z = (pulled(i) for i in range(3))
    chi2 = np.einsum("fn,fn->f", seen.across, seen.across) + np.einsum("fn,fn->f", seen.along, seen.along)
    if prior is not None:
        away, p = prior[0] - position_m[:2].T, prior[1]
        force = np.einsum("fij,fj->fi", p, away)
        xx, yy, xy = xx + p[:, 0, 0], yy + p[:, 1, 1], xy + p[:, 0, 1]
        x, y = x + force[:, 0], y + force[:, 1]
        chi2 = chi2 + np.einsum("fi,fi->f", away, force)
    return (xx, yy, zz, xy, xz, yz), (x, y, z), chi2


def iterate(position_m: Vector, lines: Sightlines, prior: Held | None, most_steps: int = MOST_STEPS) -> tuple[Vector, Mask]:
    """Return the minima (3, F) and whether each was reached."""
    answer, converged = position_m.copy(), np.zeros(position_m.shape[1], dtype=bool)
    index = np.arange(position_m.shape[1])
    now, damping = position_m, np.zeros(index.size)
    matrix, right, chi2 = normal(linearise(now, lines), now, prior)
    for _ in range(most_steps):
        inverse, determinant = scaled_inverse(matrix, damping)
        step = times(inverse, right)
        size, scale = np.abs(step).max(axis=0), np.abs(now).max(axis=0) + 1.0
        # Strongly damped steps are short for another reason, and a singular matrix gives none.
        small = (size <= _STEP_TOLERANCE * scale) & (damping <= _TRUSTED_DAMPING) & (determinant >= SINGULAR)
        done = small | (damping > _MOST_DAMPING) | (scale > FARTHEST_M)
        if done.any():
            last = np.where(small, now + step, now)
            answer[:, index[done]], converged[index[done]] = last[:, done], small[done]
            going = np.flatnonzero(~done)
            index, now, step = index[going], now[:, going], step[:, going]
            size, scale, damping, chi2 = size[going], scale[going], damping[going], chi2[going]
            matrix, right = _some(matrix, going), _some(right, going)
            lines, prior = lines.take(going), held(prior, going)
        if not index.size:
            break
        promised = np.einsum("if,if->f", step, np.stack(right))
        trial = now + np.minimum(1.0, scale / np.maximum(size, _LEAST_DAMPING)) * step
        new_matrix, new_right, new_chi2 = normal(linearise(trial, lines), trial, prior)
        # Near the minimum the sum of squares is flat to its last digits: a rise within them is none.
        better = (new_chi2 <= chi2 + _ROUNDING * (1 + chi2)) & (size > 0)
        gain = chi2 - new_chi2
        if better.all():
            now, matrix, right, chi2 = trial, new_matrix, new_right, new_chi2
        else:
            now, chi2 = np.where(better, trial, now), np.where(better, new_chi2, chi2)
            matrix = _either(better, new_matrix, matrix)
            right = _either(better, new_right, right)
        damping = _next_damping(damping, better, gain, promised)
    # Readings that contradict each other by many sigmas make the last steps slow; what they would still gain is nothing.
    answer[:, index] = now
    converged[index] = np.einsum("if,if->f", times(scaled_inverse(matrix)[0], right), np.stack(right)) <= _FLAT * (1 + chi2)
    return answer, converged


def _next_damping(damping: Vector, better: Mask, gain: Vector, promised: Vector) -> Vector:
    """Return more damping after a step that gained little of what it promised, less after one that gained most."""
    more, less = np.maximum(10 * damping, _LEAST_DAMPING), np.where(damping > _LEAST_DAMPING, damping / 10, 0.0)
    little = np.maximum(3 * damping, _LEAST_DAMPING)
    kept = np.where(gain > 0.75 * promised, less, np.where(gain < 0.25 * promised, little, damping))
    return np.where(better, kept, more)


def _some(arrays: _Arrays, flights: NDArray[np.intp]) -> _Arrays:
    return cast(_Arrays, tuple(array[flights] for array in arrays))


def _either(first: Mask, one: _Arrays, other: _Arrays) -> _Arrays:
    return cast(_Arrays, tuple(np.where(first, a, b) for a, b in zip(one, other, strict=True)))
