"""What an on-board barometric altimeter would have logged: the pressure of an invented column of air along a true flight.

The column is integrated step by step from the ground up; the altimeter samples it through noise, with a sensor that is a little
off, and an ejection charge presses on it for a moment.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.sim.truth import Trajectory
from apexfix.units import STANDARD_GRAVITY

Vector = NDArray[np.float64]

_GAS_J_KG_K: Final = 287.05
_LAYER_M: Final = 0.5
_VENT_S: Final = 0.05  # how long the chamber takes to follow the air outside


@dataclass(frozen=True, slots=True)
class Weather:
    """The air at the pad."""

    temperature_c: float
    pressure_pa: float
    humidity: float  # 0 to 1
    lapse_k_m: float = 0.0065
    gravity_m_s2: float = STANDARD_GRAVITY


@dataclass(frozen=True, slots=True)
class Altimeter:
    """The instrument and what goes wrong with it."""

    sample_hz: float = 20.0
    noise_pa: float = 3.0
    scale: float = 1.0  # of pressure differences; 1 is right
    offset_pa: float = 0.0
    surge_pa: float = 400.0  # of the ejection charge
    surge_s: float = 0.15
    resolution_pa: float = 1.0


@dataclass(frozen=True, slots=True)
class Logged:
    """The samples of one flight, times from lift-off."""

    time_s: Vector  # (N,)
    pressure_pa: Vector  # (N,)


def air_pressure(weather: Weather, height_m: Vector) -> Vector:
    """Return the pressure at heights above the pad, by the hydrostatic equation in small steps.

    Vapour by Magnus' formula (Alduchov & Eskridge 1996): 6.1094 hPa exp(17.625 t / (t + 243.04)); its share stays that of the pad.
    """
    levels = np.arange(-20.0, float(np.max(height_m)) + 3 * _LAYER_M, _LAYER_M)
    middle = levels[:-1] + _LAYER_M / 2
    vapour_pa = weather.humidity * 610.94 * np.exp(17.625 * weather.temperature_c / (weather.temperature_c + 243.04))
    virtual = (weather.temperature_c + 273.15 - weather.lapse_k_m * middle) * (1 + 0.378 * vapour_pa / weather.pressure_pa)
    falls = np.cumsum(weather.gravity_m_s2 * _LAYER_M / (_GAS_J_KG_K * virtual))
    log_ratio = np.concatenate([[0.0], -falls])
    log_ratio -= np.interp(0.0, levels, log_ratio)
    return np.asarray(weather.pressure_pa * np.exp(np.interp(height_m, levels, log_ratio)))


def log_flight(
    rng: np.random.Generator, altimeter: Altimeter, weather: Weather, trajectory: Trajectory, ejection_s: float
) -> Logged:
    """Return the log of one flight, from fifteen seconds before lift-off to ten after the landing."""
    step = 1 / altimeter.sample_hz
    time_s = np.arange(-15.0 + float(rng.uniform(0, step)), trajectory.landing_s + 10.0, step)
    seen_s = time_s - _VENT_S
    true_pa = air_pressure(weather, trajectory.position_m(seen_s)[:, 2])
    felt = weather.pressure_pa + altimeter.scale * (true_pa - weather.pressure_pa) + altimeter.offset_pa
    since = time_s - ejection_s
    felt = felt + altimeter.surge_pa * ((since > 0) & (since < altimeter.surge_s))
    noisy = felt + rng.normal(0, altimeter.noise_pa, time_s.size)
    return Logged(time_s, np.asarray(np.round(noisy / altimeter.resolution_pa) * altimeter.resolution_pa))


def control_csv(
    rng: np.random.Generator, altimeter: Altimeter, weather: Weather, flights: Iterable[tuple[Trajectory, int]], slow_s: float
) -> str:
    """Return the logs of several flights as the altimeter would write them, one after the other.

    Parameters
    ----------
    flights
        Each one's path and the UTC of its lift-off in microseconds.
    slow_s
        How far the altimeter's clock is behind.
    """
    rows = ["time_utc,pressure_pa,temperature_celsius"]
    for trajectory, lift_off_us in flights:
        # the last piece of a path begins when the recovery device opens
        logged = log_flight(rng, altimeter, weather, trajectory, trajectory.starts_s[-1])
        # the sensor sits in a tube in the Sun, and follows the air about it slowly
        warm_c = weather.temperature_c + 4.0 + rng.normal(0, 0.05, logged.time_s.size)
        for time_s, pressure_pa, temperature_c in zip(logged.time_s - slow_s, logged.pressure_pa, warm_c, strict=True):
            moment = datetime.fromtimestamp((lift_off_us + round(time_s * 1000) * 1000) / 1e6, UTC)
            rows.append(f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z,{pressure_pa:.0f},{temperature_c:.1f}")
    return "\n".join(rows) + "\n"
