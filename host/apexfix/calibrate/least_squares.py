"""Non-linear least squares with covariance, for the few parameters of one calibration."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import chdtri

from apexfix.errors import CalibrationError
from apexfix.model import Vector

Residuals = Callable[[Vector], Vector]

_STEP: Final = float(np.cbrt(np.finfo(np.float64).eps))  # best for a central difference: error of the order of its square
_MOST_STEPS: Final = 200
_SMALL: Final = 1e-11  # of a parameter's size: a step below this changes nothing that anybody could read
_SURPRISE: Final = 0.99  # beyond this quantile the scatter is not that of the sigmas
_STUCK: Final = 1e12  # damping at which no direction helps any more


@dataclass(frozen=True, slots=True)
class Solution:
    """Parameters at the minimum. The covariance is that of residuals whose sigma is 1."""

    values: Vector  # (P,)
    covariance: Vector  # (P, P) the inverse of J^T J
    residuals: Vector  # (R,)

    @property
    def chi2(self) -> float:
        """The sum of the squared residuals."""
        return float(self.residuals @ self.residuals)

    @property
    def freedom(self) -> int:
        """How many residuals there are beyond the parameters."""
        return len(self.residuals) - len(self.values)


def raised(surprise: float, freedom: float) -> float:
    """Return what sigmas are to be multiplied with: 1 where a chi-square may well come by chance, else what makes it its freedom.

    Examples
    --------
    >>> raised(12.0, 10), raised(40.0, 10), raised(5.0, 0)
    (1.0, 2.0, 1.0)
    """
    surprising = freedom > 0 and surprise > chdtri(freedom, 1.0 - _SURPRISE)
    return float(np.sqrt(surprise / freedom)) if surprising else 1.0


def solve(residuals: Residuals, start: Vector, size: Vector) -> Solution:
    """Return the parameters with the least sum of squared residuals near a start.

    Parameters
    ----------
    residuals : callable
        (P,) parameters to (R,) residuals, each divided by its sigma.
    start : (P,) array
    size : (P,) array
        What counts as a large change of each parameter; sets the difference steps where a parameter is near zero.

    Raises
    ------
    CalibrationError
        The parameters cannot be told apart, or the iteration does not end.

    Notes
    -----
    Levenberg-Marquardt with the damping on the scaled diagonal (Marquardt 1963) and central differences.
    """
    values, damping = np.asarray(start, dtype=np.float64), 1e-3
    now = residuals(values)
    for _ in range(_MOST_STEPS):
        jacobian = slopes(residuals, values, size)
        scale = np.maximum(np.linalg.norm(jacobian, axis=0), np.finfo(np.float64).tiny)
        step, after, damping = _descent(residuals, (values, now), (jacobian / scale, scale), damping)
        finished = bool(np.all(np.abs(step) <= _SMALL * np.maximum(np.abs(values), size)))
        values, now = values + step, after
        if finished:
            return Solution(values, _covariance(slopes(residuals, values, size)), now)
    raise CalibrationError(f"the fit did not settle in {_MOST_STEPS} steps; was one of the recordings not what it is said to be?")


def slopes(function: Residuals, values: Vector, size: Vector) -> Vector:
    """Return the (R, P) derivatives of a function by central differences."""
    steps = np.diag(_STEP * np.maximum(np.abs(values), size))
    columns = [(function(values + row) - function(values - row)) / (2 * row.sum()) for row in steps]
    return np.stack(columns, axis=1)


def _descent(
    residuals: Residuals, at: tuple[Vector, Vector], scaled: tuple[Vector, Vector], damping: float
) -> tuple[Vector, Vector, float]:
    """Return a step that does not raise the sum of squares, the residuals behind it, and the damping for the next one."""
    values, now = at
    jacobian, scale = scaled
    while damping < _STUCK:
        damped = np.vstack([jacobian, np.sqrt(damping) * np.eye(len(values))])
        step = np.linalg.lstsq(damped, np.concatenate([-now, np.zeros(len(values))]), rcond=None)[0] / scale
        after = residuals(values + step)
        if after @ after <= now @ now:
            return step, after, damping / 10
        damping *= 10
    return np.zeros_like(values), now, damping


def _covariance(jacobian: Vector) -> Vector:
    scale = np.linalg.norm(jacobian, axis=0)
    if not np.all(scale > 0) or np.linalg.cond(jacobian / scale) > 1e9:
        raise CalibrationError("what was recorded cannot tell the parameters apart; record the steps that are missing")
    triangle = np.linalg.inv(np.linalg.qr(jacobian / scale, mode="r"))
    return np.asarray(triangle @ triangle.T / np.outer(scale, scale))
