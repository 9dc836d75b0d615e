"""What is believed about the drift, and fixes that need it: one or two stations that read elevations only.

A model that flies higher drifts further, so the belief is about the *lean*: east / height and north / height are normal about zero
with the same sigma, whatever the height, plus a floor for low flights. With it the apex of two elevations is found by a general
least-squares solver, because the valley of the cost is long and bent; such flights are few.
"""

from dataclasses import dataclass

import numpy as np

from apexfix.model import Vector
from apexfix.reduce.sightline import Sightlines, linearise


@dataclass(frozen=True, slots=True)
class Lean:
    """A normal belief about the drift, the same in east and north."""

    slope: float  # sigma of the drift over the height
    floor_m: float

    def variance_m2(self, height_m: Vector) -> Vector:
        """Return the variance of the drift per axis of flights of these heights."""
        spread: Vector = (self.slope * height_m) ** 2 + self.floor_m**2
        return spread


@dataclass(frozen=True, slots=True)
class LeanFix:
    """A position that leans on a belief."""

    position_m: Vector  # (3,)
    covariance_m2: Vector  # (3, 3)
    chi2: float  # the belief's share included
    prior_share: float  # of the height's variance that comes from the belief


def lean_fix(lines: Sightlines, lean: Lean, start_m: Vector) -> LeanFix | None:
    """Return the most likely position of one flight; None where the readings and the belief leave it open."""
    from scipy.optimize import least_squares

    def residuals(position: Vector) -> Vector:
        seen = linearise(position[:, None], lines)
        return np.concatenate([seen.across[0], seen.along[0], position[:2] / np.sqrt(lean.variance_m2(position[2]))])

    def jacobian(position: Vector) -> Vector:
        seen = linearise(position[:, None], lines)
        rows = -np.hstack([np.vstack(seen.across_gradient), np.vstack(seen.along_gradient)])
        sigma = np.sqrt(lean.variance_m2(position[2]))
        falling = -position[:2] * lean.slope**2 * position[2] / sigma**3
        return np.vstack([rows.T, np.column_stack([np.eye(2) / sigma, falling])])

    found = least_squares(residuals, start_m, jacobian, method="lm", x_scale="jac", xtol=1e-12, ftol=1e-12, max_nfev=2000)
    rows = jacobian(found.x)
    information = rows.T @ rows
    if not found.success or np.linalg.cond(information) > 1e12 or found.x[2] <= 0:
        return None
    covariance: Vector = np.linalg.inv(information).astype(np.float64)
    gain = rows[-2:] @ covariance[2]
    return LeanFix(found.x, covariance, 2 * float(found.cost), float(gain @ gain / covariance[2, 2]))
