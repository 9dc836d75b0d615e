"""The encoder on a stand's axis: its eccentricity from a turn with marks, and angles free of it.

A magnet that runs beside the axis, read by a chip that sits beside it, too, makes an angle wrong by sines of the angle and of twice
the angle; what is beyond goes with the square of those, as the next terms of any expansion in a small offset do. How far beside the
axis a magnet sits differs from stand to stand, so the scale of the sines is itself learnt from the marks: a magnet that runs true
is left nearly as it reads, one that does not is corrected as far as the marks show it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.special import logsumexp

from apexfix.calibrate.least_squares import raised
from apexfix.errors import CalibrationError
from apexfix.geometry import widest_gap_rad, wrapped
from apexfix.model import Vector
from apexfix.units import DEG

STEPS: Final = 4096  # of a turn: twelve bits
SIGMA_STEP_RAD: Final = 2 * np.pi / STEPS / np.sqrt(12.0)
# How well a line of a printed circle, or a target, is met with the table of a stand; common practice.
SIGMA_MARK_RAD: Final = 0.2 * DEG
HARMONICS: Final = 4
# Of one sine or cosine of the first two harmonics, where no marks were taken: a magnet and a chip 0.3 mm beside the axis, which is
# what a printed pocket holds (common practice); the data sheet of the AS5600 asks for 0.25 mm (from memory).
SIGMA_NOMINAL_RAD: Final = 1.0 * DEG
_SPREAD: Final = np.log(2.0)  # of the scale from stand to stand, one sigma of its logarithm; common practice
# The scales that are weighed against each other. No magnet is believed to run truer than the least: the chip is not, either.
_SCALES_RAD: Final = DEG * 0.1 * 2.0 ** np.arange(6)
_BEYOND: Final = 2.0  # times the square of the scale: one sigma of the third and the fourth harmonic
_FREE_RAD: Final = 10.0  # of the zero: anywhere
_LEAST: Final = 8
_WIDEST_GAP_RAD: Final = 75.0 * DEG  # of the marks: wider ones leave the second harmonic to chance
_MOST_RAD: Final = 45.0 * DEG  # of any coefficient: no encoder is that wrong


@dataclass(frozen=True, slots=True)
class Eccentricity:
    """true angle = reading + coefficients @ (sin, cos of the reading, of twice, three and four times the reading) + a zero."""

    coefficients_rad: Vector  # (8,)
    covariance_rad2: Vector  # (8, 8)

    def angle_rad(self, reading_rad: Vector | float) -> Vector:
        """Return the angles of readings, any shape, in [0, 2 pi), from the encoder's own zero."""
        return np.asarray(np.mod(reading_rad + _waves(reading_rad) @ self.coefficients_rad, 2 * np.pi))

    def sigma_rad(self, from_rad: Vector | float, to_rad: Vector | float) -> Vector:
        """Return the sigmas of the angles turned between readings, of equal shape, the steps of both included."""
        lever = _waves(to_rad) - _waves(from_rad)
        fitted = np.einsum("...i,ij,...j->...", lever, self.covariance_rad2, lever)
        return np.asarray(np.sqrt(np.maximum(fitted, 0.0) + 2 * SIGMA_STEP_RAD**2))


@dataclass(frozen=True, slots=True)
class EccentricityFit:
    """An eccentricity, and how the marks agree with it."""

    eccentricity: Eccentricity
    residual_rad: Vector  # (N,) of the marks
    raised: float  # what the sigma of a mark was multiplied with, because the marks scatter more than was said


def nominal_eccentricity() -> Eccentricity:
    """Return what may be said of an encoder for which no marks were taken."""
    return Eccentricity(np.zeros(2 * HARMONICS), np.diag(_prior_rad(SIGMA_NOMINAL_RAD) ** 2))


def reading_rad(counts: Vector | int) -> Vector:
    """Return the angles of raw counts, clockwise as the counts run."""
    return np.asarray(np.asarray(counts) * (2 * np.pi / STEPS))


def fit_eccentricity(readings_rad: Vector, marks_rad: Vector, sigma_mark_rad: float) -> EccentricityFit:
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

    Notes
    -----
    Linear least squares with a normal prior for each of a few scales, averaged by their evidence (Hoeting, Madigan, Raftery and
    Volinsky, "Bayesian Model Averaging", *Statistical Science* 14, 1999).
    """
    _demand_turn(readings_rad)
    short = wrapped(marks_rad - readings_rad)
    about = float(np.angle(np.mean(np.exp(1j * short))))
    offset = wrapped(short - about)
    if np.max(np.abs(offset)) > 30 * DEG:
        raise CalibrationError(
            f"a mark and the encoder are {np.max(np.abs(offset)) / DEG:.0f}° apart; does the encoder run the other way "
            "(set its direction pin), or was a mark written down wrongly?"
        )
    design = np.column_stack([np.ones(len(offset)), _waves(readings_rad)])
    sigma = float(np.hypot(sigma_mark_rad, SIGMA_STEP_RAD))
    more = _raised(design, offset, sigma)
    mean, covariance = _averaged(design, offset, sigma * more)
    return EccentricityFit(Eccentricity(mean[1:], covariance[1:, 1:]), offset - design @ mean, more)


def _raised(design: Vector, offset_rad: Vector, sigma_rad: float) -> float:
    """Return how many times more than their sigma the marks scatter about the fit, 1 where they may well do so by chance."""
    mean, covariance = _averaged(design, offset_rad, sigma_rad)
    surprise = float(np.sum((offset_rad - design @ mean) ** 2)) / sigma_rad**2
    left = np.eye(len(offset_rad)) - design @ covariance @ design.T / sigma_rad**2
    return raised(surprise, float(np.sum(left**2)))


def _averaged(design: Vector, offset_rad: Vector, sigma_rad: float) -> tuple[Vector, Vector]:
    """Return mean and covariance of zero and coefficients over all scales."""
    means, covariances, evidence = [], [], []
    for scale in _SCALES_RAD:
        prior = np.append(_FREE_RAD, _prior_rad(scale)) ** 2
        spread = (design * prior) @ design.T + sigma_rad**2 * np.eye(len(offset_rad))
        gain = np.linalg.solve(spread, design * prior).T
        means.append(gain @ offset_rad)
        covariances.append(np.diag(prior) - gain @ (design * prior))
        surprise = float(offset_rad @ np.linalg.solve(spread, offset_rad))
        stand = -0.5 * (np.log(scale / SIGMA_NOMINAL_RAD) / _SPREAD) ** 2
        evidence.append(stand - 0.5 * (surprise + np.linalg.slogdet(spread)[1]))
    share = np.exp(evidence - logsumexp(evidence))
    mean = share @ np.array(means)
    apart = np.array(means) - mean
    covariance = np.einsum("s,sij->ij", share, np.array(covariances)) + np.einsum("s,si,sj->ij", share, apart, apart)
    return mean, covariance


def _prior_rad(scale_rad: float) -> Vector:
    """Return one sigma (8,) of each coefficient of an encoder whose first two harmonics have a scale."""
    return np.repeat([scale_rad, _BEYOND * scale_rad**2], 4)


def _waves(reading_rad: Vector | float) -> Vector:
    turns = np.multiply.outer(reading_rad, np.arange(1, HARMONICS + 1))
    return np.stack([np.sin(turns), np.cos(turns)], axis=-1).reshape(*np.shape(reading_rad), 2 * HARMONICS)


def _demand_turn(readings_rad: Vector) -> None:
    if len(readings_rad) < _LEAST:
        raise CalibrationError(f"{len(readings_rad)} marks seen, {_LEAST} or more round the turn are needed; twelve are better")
    gap = widest_gap_rad(readings_rad)
    if gap > _WIDEST_GAP_RAD:
        raise CalibrationError(
            f"no mark in {gap / DEG:.0f}° of the turn, at most {_WIDEST_GAP_RAD / DEG:.0f}° may be left out; "
            "turn all the way round, by 30° between marks"
        )


# --- in a calibration -----------------------------------------------------------------------------------------------


def encoder_fields(found: Eccentricity) -> dict[str, Any]:
    """Return an eccentricity as it stands in a calibration (docs/protocol.md, section 5): few digits, for it goes to the unit."""
    return {
        "coefficients_deg": [round(float(value), 4) for value in found.coefficients_rad / DEG],
        "covariance_deg2": [[float(f"{value:.3g}") for value in row] for row in found.covariance_rad2 / DEG**2],
    }


def carried_eccentricity(calibration: Mapping[str, object]) -> Eccentricity | None:
    """Return the eccentricity in a calibration object, None where it says nothing of an encoder.

    Raises
    ------
    CalibrationError
        It is not of the shape that docs/protocol.md gives it, or cannot be.
    """
    found = calibration.get("encoder")
    if found is None:
        return None
    try:
        coefficients = np.asarray(found["coefficients_deg"], dtype=np.float64) * DEG  # type: ignore[index]
        covariance = np.asarray(found["covariance_deg2"], dtype=np.float64) * DEG**2  # type: ignore[index]
    except (KeyError, TypeError, ValueError, OverflowError):
        coefficients = covariance = np.full(1, np.nan)
    shaped = coefficients.shape == (2 * HARMONICS,) and covariance.shape == (2 * HARMONICS, 2 * HARMONICS)
    if not shaped or not np.all(np.abs(coefficients) < _MOST_RAD) or not np.all(np.abs(covariance) < _MOST_RAD**2):
        raise CalibrationError(
            f"encoder is {str(found)[:60]}, {2 * HARMONICS} coefficients_deg and their covariance_deg2 expected; "
            "combine the calibration again"
        )
    if not np.allclose(covariance, covariance.T, rtol=0.02, atol=1e-12) or np.any(np.diag(covariance) < 0):
        raise CalibrationError("the encoder's covariance_deg2 is none; combine the calibration again")
    return Eccentricity(coefficients, covariance)
