"""An independent check: do sightings of known heights agree with what the calibration claims?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import chdtri

from apexfix.calibrate.target import Target
from apexfix.errors import CalibrationError
from apexfix.model import Vector

LEAST_TARGETS: Final = 2
_SURE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Claim:
    """What a calibration claims of its unit's elevations."""

    sigma_reading_rad: float  # of one reading
    sigma_zero_rad: float  # common to all readings


@dataclass(frozen=True, slots=True)
class Checked:
    """The outcome. Errors are the mean reading of a target less its known elevation."""

    error_rad: Vector  # (T,)
    sigma_rad: Vector  # (T,)
    chi2: float
    limit: float  # that chi-square passes with 95 % of honest calibrations

    @property
    def passed(self) -> bool:
        """Whether the errors are no larger than claimed."""
        return self.chi2 <= self.limit


def check(targets: Sequence[Target], readings_rad: Sequence[Sequence[float]], claim: Claim) -> Checked:
    """Compare readings of targets with their known elevations, against a claim and the tape's own uncertainty.

    Parameters
    ----------
    readings_rad
        For every target the readings of its elevation.

    Raises
    ------
    CalibrationError
        Fewer than two targets, one without a known elevation, or one without a reading.
    """
    if len(targets) < LEAST_TARGETS:
        raise CalibrationError(f"{len(targets)} targets seen, {LEAST_TARGETS} of known height or more are needed")
    for target, own in zip(targets, readings_rad, strict=True):
        if target.elevation_rad is None or not own:
            lacks = "has no known elevation" if target.elevation_rad is None else "was not sighted"
            raise CalibrationError(f"target {target.id} {lacks}; give its height and distance and sight it, or leave it out")
    error = np.array([float(np.mean(r)) - (t.elevation_rad or 0.0) for t, r in zip(targets, readings_rad, strict=True)])
    own = [t.sigma_rad**2 + claim.sigma_reading_rad**2 / len(r) for t, r in zip(targets, readings_rad, strict=True)]
    covariance = np.diag(own) + claim.sigma_zero_rad**2
    measure = float(error @ np.linalg.solve(covariance, error))
    return Checked(error, np.sqrt(np.diag(covariance)), measure, float(chdtri(len(targets), 1.0 - _SURE)))
