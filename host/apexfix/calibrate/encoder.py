"""The encoder on a stand's axis: its eccentricity from a turn with marks, and azimuths free of it.

A disc or a magnet that runs beside the axis makes an angle wrong by a sine of the angle, a sensor beside the axis by a sine of
twice the angle; both together are what the first two harmonics hold. The step of the encoder is left.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.stats import chi2

from apexfix.errors import CalibrationError
from apexfix.geometry import widest_gap_rad
from apexfix.model import Vector
from apexfix.units import DEG

STEPS: Final = 4096  # of a turn: twelve bits
SIGMA_STEP_RAD: Final = 2 * np.pi / STEPS / np.sqrt(12.0)
_HARMONICS: Final = 2
_LEAST: Final = 2 * _HARMONICS + 4  # zero and four coefficients, and something over to judge them by
_WIDEST_GAP_RAD: Final = 75.0 * DEG  # of the marks: wider ones leave the second harmonic to chance
_SURPRISE: Final = 0.99


@dataclass(frozen=True, slots=True)
class Eccentricity:
    """true angle = reading + coefficients @ (1, sin, cos, sin of twice, cos of twice the reading)."""

    coefficients_rad: Vector  # (5,)
    covariance_rad2: Vector  # (5, 5)
    residual_rad: Vector  # (N,) of the marks
    raised: float  # what the covariance's sigmas were multiplied with, because the marks scatter more than was said

    def angle_rad(self, reading_rad: Vector) -> Vector:
        """Return the (N,) true angles of readings, in [0, 2 pi), from the marks' zero."""
        return np.asarray(np.mod(reading_rad + _design(reading_rad) @ self.coefficients_rad, 2 * np.pi))

    def sigma_rad(self, from_rad: Vector, to_rad: Vector) -> Vector:
        """Return the (N,) sigmas of the angles turned between two readings, the steps of both included; the zero cancels."""
        lever = _design(np.asarray(to_rad)) - _design(np.asarray(from_rad))
        fitted = np.einsum("...i,ij,...j->...", lever, self.covariance_rad2, lever)
        return np.asarray(np.sqrt(fitted + 2 * SIGMA_STEP_RAD**2))


def reading_rad(counts: Vector) -> Vector:
    """Return the (N,) angles of raw counts, clockwise as the counts run."""
    return np.asarray(np.asarray(counts) * (2 * np.pi / STEPS))


def fit_eccentricity(readings_rad: Vector, marks_rad: Vector, sigma_mark_rad: float) -> Eccentricity:
    """Return the eccentricity from readings at marks of known angle.

    Parameters
    ----------
    readings_rad : (N,) array
        By the encoder, growing as the marks do.
    marks_rad : (N,) array
        From any zero: targets of known azimuth, or the lines of a graduated circle.
    sigma_mark_rad : float
        How well one mark is known and met.

    Raises
    ------
    CalibrationError
        There are too few marks, they leave out part of the turn, or the encoder runs the other way.
    """
    _demand_turn(readings_rad)
    short = np.angle(np.exp(1j * (marks_rad - readings_rad)))
    about = np.angle(np.mean(np.exp(1j * short)))
    offset = about + np.angle(np.exp(1j * (short - about)))
    if np.max(np.abs(offset - about)) > 30 * DEG:
        raise CalibrationError(
            f"a mark and the encoder are {np.max(np.abs(offset - about)) / DEG:.0f}° apart; does the encoder run the other way "
            "(set its direction pin), or was a mark written down wrongly?"
        )
    sigma = float(np.hypot(sigma_mark_rad, SIGMA_STEP_RAD))
    weighted = _design(readings_rad) / sigma
    coefficients = np.linalg.lstsq(weighted, offset / sigma, rcond=None)[0]
    residual = offset - _design(readings_rad) @ coefficients
    freedom = len(residual) - len(coefficients)
    observed = float(np.sum((residual / sigma) ** 2))
    raised = float(np.sqrt(observed / freedom)) if observed > chi2.ppf(_SURPRISE, freedom) else 1.0
    covariance = np.asarray(np.linalg.inv(weighted.T @ weighted) * raised**2)
    return Eccentricity(coefficients, covariance, residual, raised)


def _design(reading_rad: Vector) -> Vector:
    columns = [np.ones_like(reading_rad)]
    for harmonic in range(1, _HARMONICS + 1):
        columns += [np.sin(harmonic * reading_rad), np.cos(harmonic * reading_rad)]
    return np.stack(columns, axis=-1)


def _demand_turn(readings_rad: Vector) -> None:
    if len(readings_rad) < _LEAST:
        raise CalibrationError(f"{len(readings_rad)} marks seen, {_LEAST} or more round the turn are needed; twelve are better")
    gap = widest_gap_rad(readings_rad)
    if gap > _WIDEST_GAP_RAD:
        raise CalibrationError(
            f"no mark in {gap / DEG:.0f}° of the turn, at most {_WIDEST_GAP_RAD / DEG:.0f}° may be left out; "
            "turn all the way round, by 30° between marks"
        )
