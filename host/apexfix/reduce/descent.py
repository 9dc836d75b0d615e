"""The way down: Gauss-Newton steps with Levenberg-Marquardt damping, for many flights at once, each at its own pace."""

import numpy as np
from numpy.typing import NDArray

from apexfix.model import Vector
from apexfix.reduce.sightline import Linearised, Mask, Sightlines, linearise
from apexfix.reduce.symmetric import SINGULAR, Six, scaled_inverse, times
from apexfix.reduce.trouble import FARTHEST_M

_MOST_ITERATIONS = 60
# Relative to the distance from the stations: 1e-6 m is asked for at some 500 m, and the last step only bounds the error.
_STEP_TOLERANCE = 1e-10
_LEAST_DAMPING = 1e-4
_MOST_DAMPING = 1e8

Held = tuple[Vector, Vector]  # a prior of the drift: mean (F, 2), precision (F, 2, 2)


def held(prior: Held | None, flights: NDArray[np.intp]) -> Held | None:
    """Return the prior of some of the flights."""
    return None if prior is None else (prior[0][flights], prior[1][flights])


def normal(seen: Linearised, position_m: Vector, prior: Held | None) -> tuple[Six, tuple[Vector, Vector, Vector], Vector]:
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


def iterate(position_m: Vector, lines: Sightlines, prior: Held | None) -> tuple[Vector, Mask]:
    """Return the minima (3, F) and whether each was reached."""
    flights = position_m.shape[1]
    answer, converged = position_m.copy(), np.zeros(flights, dtype=bool)
    index = np.arange(flights)
    now = position_m
    matrix, right, chi2 = normal(linearise(now, lines), now, prior)
    damping = np.zeros(flights)
    for _ in range(_MOST_ITERATIONS):
        inverse, determinant = scaled_inverse(matrix, damping)
        step = times(inverse, right)
        scale = np.abs(now).max(axis=0) + 1.0
        size = np.abs(step).max(axis=0)
        stuck = determinant < SINGULAR
        trial = now + np.where(size > scale, scale / np.where(size > 0, size, 1.0), 1.0) * step
        new_matrix, new_right, new_chi2 = normal(linearise(trial, lines), trial, prior)
        small = (size <= _STEP_TOLERANCE * scale) & ~stuck
        better = (new_chi2 < chi2) & ~stuck
        now = np.where(better | small, trial, now)
        matrix = tuple(np.where(better, a, b) for a, b in zip(new_matrix, matrix, strict=True))  # type: ignore[assignment]
        right = tuple(np.where(better, a, b) for a, b in zip(new_right, right, strict=True))  # type: ignore[assignment]
        chi2 = np.where(better, new_chi2, chi2)
        damping = np.where(better, np.where(damping > _LEAST_DAMPING, damping / 10, 0.0), np.maximum(10 * damping, _LEAST_DAMPING))
        lost = (damping > _MOST_DAMPING) | (np.abs(now).max(axis=0) > FARTHEST_M)
        done = small | lost
        if done.any():
            answer[:, index[done]], converged[index[done]] = now[:, done], small[done]
            going = np.flatnonzero(~done)
            if not going.size:
                break
            index, now, damping, chi2 = index[going], now[:, going], damping[going], chi2[going]
            matrix = tuple(m[going] for m in matrix)  # type: ignore[assignment]
            right = (right[0][going], right[1][going], right[2][going])
            lines = lines.take(going)
            prior = held(prior, going)
    else:
        answer[:, index] = now
    return answer, converged
