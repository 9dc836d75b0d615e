"""How well a layout will know the height: the covariance that the least squares would report, over the flights that are expected.

Information about a position adds up over stations, so that each possible place is linearised once and every layout is a sum.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.geometry import angles
from apexfix.model import Vector
from apexfix.reduce.least_squares import HorizontalPrior, sightlines
from apexfix.reduce.sightline import linearise
from apexfix.reduce.symmetric import SINGULAR, scaled_inverse

_PAIRS: Final = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))


@dataclass(frozen=True, slots=True)
class Readings:
    """What each observer will read, and one standard deviation of it."""

    sigma_elevation_rad: float
    sigma_azimuth_rad: float | None  # None: elevations only


def gradients(station_m: Vector, apex_m: Vector, readings: Readings) -> Vector:
    """Return what a metre of the apex changes in each reading, in sigmas: (K, C, 2, 3) for K apexes and C places.

    Parameters
    ----------
    station_m : (C, 3)
    apex_m : (K, 3)
    """
    azimuth, elevation = angles(apex_m[:, None, :] - station_m)
    sigma_a = np.full_like(azimuth, readings.sigma_azimuth_rad or 1.0)
    seen = azimuth if readings.sigma_azimuth_rad else np.full_like(azimuth, np.nan)
    place = np.broadcast_to(station_m, (*azimuth.shape, 3))
    lines = sightlines(seen, elevation, place, sigma_a, np.full_like(azimuth, readings.sigma_elevation_rad))
    at = linearise(apex_m.T, lines)
    return np.stack([np.stack(at.across_gradient, axis=-1), np.stack(at.along_gradient, axis=-1)], axis=-2)


def information(gradient: Vector) -> Vector:
    """Return the six different elements of each place's information matrix, (6, K, C), in the order of `reduce.symmetric`."""
    return np.stack([np.einsum("kcq,kcq->kc", gradient[..., i], gradient[..., j]) for i, j in _PAIRS])


def prior_information(prior: HorizontalPrior | None) -> Vector:
    """Return the six elements of what is believed about the drift, zeros without a belief."""
    if prior is None:
        return np.zeros(6)
    precision = np.linalg.inv(prior.covariance_m2)
    return np.array([precision[0, 0], precision[1, 1], 0.0, precision[0, 1], 0.0, 0.0])


def height_variance(summed: Vector) -> Vector:
    """Return the variance of the height for information (6, ...); infinite where it cannot be known."""
    shape = summed.shape[1:]
    xx, yy, zz, xy, xz, yz = summed.reshape(6, -1)
    inverse, determinant = scaled_inverse((xx, yy, zz, xy, xz, yz))
    return np.where(determinant > SINGULAR, inverse[2], np.inf).reshape(shape)


def height_sigma(station_m: Vector, apex_m: Vector, readings: Readings, prior: HorizontalPrior | None) -> Vector:
    """Return the sigma of the height of each of (K, 3) apexes seen from (N, 3) stations."""
    summed = information(gradients(station_m, apex_m, readings)).sum(axis=-1) + prior_information(prior)[:, None]
    return np.sqrt(height_variance(summed))


def expected_sigma(station_m: Vector, apex_m: Vector, readings: Readings, prior: HorizontalPrior | None) -> float:
    """Return the root mean square of the sigma of the height over apexes: the error to expect of a flight not yet flown."""
    return float(np.sqrt(np.mean(height_sigma(station_m, apex_m, readings, prior) ** 2)))


def redundancy(station_m: Vector, apex_m: Vector, readings: Readings, prior: HorizontalPrior | None) -> Vector:
    """Return which part of a mistake in each reading would show in its residual, (N, 2) for azimuth and elevation, 0 to 1.

    Notes
    -----
    Baarda's redundancy number, 1 - g^T C g with g the gradient in sigmas and C the covariance; the mean over the apexes.
    """
    gradient = gradients(station_m, apex_m, readings)
    matrix = np.einsum("kcqi,kcqj->kij", gradient, gradient)
    if prior is not None:
        matrix[:, :2, :2] += np.linalg.inv(prior.covariance_m2)
    covariance = np.linalg.pinv(matrix, hermitian=True)
    return np.asarray(1 - np.einsum("kcqi,kij,kcqj->kcq", gradient, covariance, gradient).mean(axis=0))
