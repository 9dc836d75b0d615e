"""What is expected of a flight before it: the apex and the landing, as distributions that can be drawn from evenly."""

from dataclasses import dataclass
from math import log
from typing import Final

import numpy as np
from scipy.special import ndtri
from scipy.stats.qmc import Sobol

from apexfix.air import WIND_EXPONENT, Air, canopy_drift, moist_density
from apexfix.geometry import direction
from apexfix.model import Vector
from apexfix.predict import Rocket, outcomes, trajectory
from apexfix.predict.motion import DOWNWIND
from apexfix.predict.quantity import Quantity, at
from apexfix.predict.rocket import nominal
from apexfix.reduce.options import Options

_SIGMAS95: Final = float(ndtri(0.975))
_SAMPLES: Final = 3000  # flights of a rocket; a plan needs no third digit of their spread
HOLDS95: Final = float(np.sqrt(-2 * np.log(0.05)))  # sigmas that hold 95 % in two dimensions: the chi-square law in closed form
_NARROWEST: Final = 1e-3  # of the logarithm of the height: an interval without width is still a distribution
_STANDARD_AIR: Final = Air(288.15, 101325.0, moist_density(288.15, 101325.0, 0.5), 2.0, WIND_EXPONENT)


@dataclass(frozen=True, slots=True)
class Wind:
    """The wind at the height of a hand-held meter."""

    speed_m_s: float | None  # None where nobody can tell
    from_rad: float | None  # true azimuth that it comes from


@dataclass(frozen=True, slots=True)
class Carry:
    """How far downwind of its apex a model lands under its recovery device."""

    median_m: float  # from the median height
    sigma_m: float
    power: float  # of the height that it grows with


@dataclass(frozen=True, slots=True)
class Expected:
    """Heights are log-normal, the drift over the ground at the apex is normal and independent of the height."""

    apex95_m: tuple[float, float]
    drift_m: Vector  # (2,) mean, east and north
    drift_covariance_m2: Vector  # (2, 2)
    carry: Carry | None  # None where wind or rate of descent are unknown
    wind: Wind
    ballistic_m: float  # farthest that it comes down where nothing opens
    ballistic_words: str
    source: str

    @property
    def median_m(self) -> float:
        """Height that half of the flights pass."""
        return float(np.sqrt(self.apex95_m[0] * self.apex95_m[1]))


def from_interval(apex95_m: tuple[float, float], wind: Wind, descent_m_s: float | None, lean: tuple[float, str]) -> Expected:
    """Return what follows from an expected 95 % interval of the apex alone; the drift is what the reduction believes of any flight.

    ``lean`` is the launcher's angle from the vertical in radians and words for it.
    """
    median_m = float(np.sqrt(apex95_m[0] * apex95_m[1]))
    spread_m2 = float(Options().drift.variance_m2(np.asarray(median_m)))
    carry = None
    if descent_m_s is not None and wind.speed_m_s is not None:
        carry = Carry(float(canopy_drift(_STANDARD_AIR, wind.speed_m_s, median_m, descent_m_s)), 0.0, 1 + WIND_EXPONENT)
    spread = spread_m2 * np.eye(2)
    far_m = max(_airless_return(apex95_m[1], lean[0]), _drifted_return(np.zeros(2), spread))
    words = f"without air: twice the drift of the apex, or 4 h tan(lean) at a lean of {lean[1]}, whichever is farther"
    return Expected(apex95_m, np.zeros(2), spread, carry, wind, far_m, words, "apogee interval")


def from_rocket(rocket: Rocket, wind_from_rad: float | None) -> Expected:
    """Return what the prediction for a rocket says.

    The drift along the wind is the predicted one; across it only the spread of the launch angle acts. Without a direction of the
    wind both are spread over all directions.

    Raises
    ------
    ReductionError
        The rocket cannot fly or must not.
    """
    told = outcomes(rocket, _SAMPLES)
    apex, along, landing = told["apex_m"], told["apex_downwind_m"], told["landing_downwind_m"]
    across_m = along.sigma * float(np.sqrt(along.shares["tilt_rad"]))
    carry_m = landing.nominal - along.nominal
    carry_sigma_m = float(np.sqrt(max(landing.sigma**2 - along.sigma**2, 0.0)))
    wind = Wind(rocket.quantities["wind_m_s"].value, wind_from_rad)
    low_m, high_m = apex.interval95
    mean, covariance = _over_the_ground(along.nominal, along.sigma, across_m, wind_from_rad)
    airless_m = _airless_return(high_m, _farthest_lean(rocket.quantities["tilt_rad"]))
    far_m = max(_predicted_return(rocket), airless_m, _drifted_return(mean, covariance))
    words = (
        "launch angle and wind within two sigmas, in any direction: predicted, or without air twice the drift of the apex or "
        "4 h tan(lean), whichever is farthest"
    )
    carry = Carry(carry_m, carry_sigma_m, 0.0)  # the spread of the landing holds that of the height already
    return Expected((low_m, high_m), mean, covariance, carry, wind, far_m, words, rocket.name)


def _over_the_ground(along_m: float, sigma_m: float, across_m: float, wind_from_rad: float | None) -> tuple[Vector, Vector]:
    if wind_from_rad is None:
        return np.zeros(2), (along_m**2 + sigma_m**2 + across_m**2) / 2 * np.eye(2)
    with_wind = direction(wind_from_rad + np.pi, 0.0)[:2]
    beside = np.array([with_wind[1], -with_wind[0]])
    spread = sigma_m**2 * np.outer(with_wind, with_wind) + across_m**2 * np.outer(beside, beside)
    return along_m * with_wind, spread + 1e-6 * np.eye(2)


def _airless_return(apex_m: float, lean_rad: float) -> float:
    """Return how far away a body lands that left at a lean and rose to a height, without air: 4 h tan(lean), in closed form."""
    return 4 * apex_m * float(np.tan(lean_rad))


def _drifted_return(mean_m: Vector, covariance_m2: Vector) -> float:
    """Return twice the farthest drift that 95 % of the apexes have: a fall without air is the mirror image of the climb."""
    return 2 * float(np.hypot(*mean_m) + HOLDS95 * np.sqrt(np.linalg.eigvalsh(covariance_m2)[-1]))


def _farthest_lean(tilt: Quantity) -> float:
    return abs(tilt.value) + 2 * tilt.sigma


def _predicted_return(rocket: Rocket) -> float:
    """Return the farthest landing without recovery over launch angle and wind, each at its value and two sigmas to both sides."""
    stated = nominal(rocket)
    corners = [
        stated | {"tilt_rad": _moved(rocket.quantities["tilt_rad"], a), "wind_m_s": _moved(rocket.quantities["wind_m_s"], b)}
        for a in (-2.0, 0.0, 2.0)
        for b in (-2.0, 0.0, 2.0)
    ]
    return max(abs(float(trajectory(rocket, values).ground[DOWNWIND])) for values in corners)


def _moved(quantity: Quantity, sigmas: float) -> Vector:
    return at(quantity, np.array([sigmas])) if quantity.sigma else np.array([quantity.value])


# --- draws ----------------------------------------------------------------------------------------------------------


def apexes(expected: Expected, count: int) -> Vector:
    """Return (count, 3) apexes, evenly spread over their distribution; the same every time. The count is a power of two."""
    score = _scores(count)
    level = score[:, 1:] @ np.linalg.cholesky(expected.drift_covariance_m2).T + expected.drift_m
    return np.column_stack([level, _heights(expected, score[:, 0])])


def landings(expected: Expected, count: int) -> Vector:
    """Return (count, 2) landings, each that of the apex of the same row of `apexes`; right below it where no carry is known."""
    apex = apexes(expected, count)
    carry = expected.carry or Carry(0.0, 0.0, 0.0)
    # where nobody can tell the wind, the golden section turns the bearings in no step with the heights
    turn = np.arange(count, dtype=np.float64) * 2 * np.pi * 0.6180339887498949
    away = turn if expected.wind.from_rad is None else np.full(count, expected.wind.from_rad + np.pi)
    reach_m: Vector = carry.median_m * (apex[:, 2] / expected.median_m) ** carry.power
    reach_m = reach_m + carry.sigma_m * np.roll(_scores(count)[:, 1], count // 3)
    return np.asarray(apex[:, :2] + reach_m[:, None] * direction(away, 0.0)[:, :2])


def height_quantile(expected: Expected, share: float) -> float:
    """Return the height that a share of the flights stays below."""
    return float(_heights(expected, np.asarray(ndtri(share))))


def _heights(expected: Expected, score: Vector) -> Vector:
    low, high = (log(end) for end in expected.apex95_m)
    return np.asarray(np.exp((low + high) / 2 + max((high - low) / 2 / _SIGMAS95, _NARROWEST) * score))


def _scores(count: int) -> Vector:
    """Return (count, 3) standard normal scores from Sobol's points, each moved to the middle of its stratum."""
    even = Sobol(3, scramble=False).random_base2(count.bit_length() - 1)
    return np.asarray(ndtri(even + 0.5 / count))
