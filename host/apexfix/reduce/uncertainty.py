"""How well a height is known: what each source adds, propagated; an interval that covers; Monte Carlo to check it by.

One flight's readings are independent given the stated sources, which is why sigmas in quadrature are the full covariance:

* *pointing* is drawn anew for each reading, and the *unit zero* is another one for each station and each axis;
* an error of the *survey*, equal in east, north and up, moves the azimuth through the level axis across the line of sight and the
  elevation through the axis up across it. Those axes are at right angles, so the two effects are independent;
* *timing*: a press dt early or late sees the model v dt along its drift and g dt^2 / 2 below its apex. The prior of v is round and
  dt has the mean zero, so that this too is diagonal; the mean fall, g sigma_t^2 / 2, is a known bias, taken out of the reading.

The weights of the least squares are therefore those of the best linear estimate, and the cost is minus twice the log-likelihood.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.units import STANDARD_GRAVITY

SOURCES: Final = ("pointing", "unit zero", "survey", "timing")
_NEAREST_M: Final = 1e-3  # a station's axis is never nearer to the line of another's sight than this


@dataclass(frozen=True, slots=True)
class Sigmas:
    """Stated sigmas of F flights and N stations, before they are seen from anywhere; the names are those of the observations."""

    sigma_azimuth_rad: Vector  # (F, N) random
    sigma_elevation_rad: Vector  # (F, N) random
    sigma_azimuth_zero_rad: Vector  # (F, N) common to the day
    sigma_elevation_zero_rad: Vector  # (F, N) common to the day
    sigma_position_m: Vector  # (F, N) per axis
    sigma_time_s: Vector  # (F, N) of the press, about the apex


def reading_sigmas(position_m: Vector, station_m: Vector, stated: Sigmas, drift_m_s: float) -> dict[str, Vector]:
    """Return what each source of SOURCES adds to each reading: (F, N, 2), azimuth and elevation, radians.

    Parameters
    ----------
    position_m : (F, 3)
    station_m : (N, 3)
    drift_m_s : sigma per axis of the velocity at the apex
    """
    sight = position_m[:, None, :] - station_m
    level = np.maximum(np.hypot(sight[..., 0], sight[..., 1]), _NEAREST_M)
    range_m = np.hypot(level, sight[..., 2])
    along_m = drift_m_s * stated.sigma_time_s
    # the variance of g t^2 / 2 for a normal t is g^2 sigma^4 / 2
    fall_m = STANDARD_GRAVITY * stated.sigma_time_s**2 / np.sqrt(2)
    across_up_m = np.hypot(along_m * sight[..., 2], fall_m * level) / range_m
    return {
        "pointing": np.stack([stated.sigma_azimuth_rad, stated.sigma_elevation_rad], axis=-1),
        "unit zero": np.stack([stated.sigma_azimuth_zero_rad, stated.sigma_elevation_zero_rad], axis=-1),
        "survey": stated.sigma_position_m[..., None] / np.stack([level, range_m], axis=-1),
        "timing": np.stack([along_m / level, across_up_m / range_m], axis=-1),
    }


def in_quadrature(parts: Mapping[str, Vector]) -> Vector:
    """Return the root of the sum of the squares."""
    return np.sqrt(sum((part**2 for part in parts.values()), start=np.zeros(())))


def mean_fall_rad(position_m: Vector, station_m: Vector, time_s: Vector) -> Vector:
    """Return by how much presses about the apex see the model too low on average, as (F, N) angles of elevation."""
    sight = position_m[:, None, :] - station_m
    range2 = np.maximum(np.sum(sight**2, axis=-1), _NEAREST_M**2)
    low: Vector = STANDARD_GRAVITY * time_s**2 / 2 * np.hypot(sight[..., 0], sight[..., 1]) / range2
    return low


def propagate(sensitivity: Vector, covariance: Vector) -> Vector:
    """Return the covariance of outputs that change by ``sensitivity @ change`` of the inputs (JCGM 102:2011, equation 3).

    Examples
    --------
    >>> propagate(np.array([[1.0, 1.0]]), np.diag([9.0, 16.0])).tolist()
    [[25.0]]
    """
    spread: Vector = sensitivity @ covariance @ sensitivity.T
    return spread


def shares(gain: Vector, parts: Mapping[str, Vector]) -> dict[str, float]:
    """Return each source's share of the sigma of an output; in quadrature they are the whole.

    Parameters
    ----------
    gain : (N, 2) change of the output per radian of each reading, 0 where there is none
    parts : source -> (N, 2) sigma of each reading, radians
    """
    return {name: float(np.sqrt(np.sum((gain * np.where(gain == 0, 0.0, part)) ** 2))) for name, part in parts.items()}


# --- Monte Carlo ----------------------------------------------------------------------------------------------------


def monte_carlo(model: Callable[[Vector], Vector], inputs: Vector) -> Vector:
    """Return the outputs of a model for drawn inputs: (draws, inputs) to (draws, outputs), those that are finite.

    The propagation of distributions of JCGM 101:2008 (clause 7.4); the draws are the caller's, from whatever distribution.
    """
    outputs = np.asarray(model(inputs), dtype=np.float64).reshape(len(inputs), -1)
    return outputs[np.isfinite(outputs).all(axis=1)]


def symmetric_interval(outputs: Vector, share: float = 0.95) -> tuple[float, float]:
    """Return the probabilistically symmetric interval of drawn values (JCGM 101:2008, clause 7.7).

    Examples
    --------
    >>> [round(end, 6) for end in symmetric_interval(np.arange(101.0), 0.9)]
    [5.0, 95.0]
    """
    low, high = np.quantile(outputs, [(1 - share) / 2, (1 + share) / 2])
    return float(low), float(high)
