"""The air that a rocket flies through: its density at the pad and above, and the wind."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.units import STANDARD_GRAVITY

ZERO_CELSIUS_K: Final = 273.15
DRY_AIR_J_KG_K: Final = 287.05287  # specific gas constant, ISO 2533:1975
LAPSE_K_M: Final = 0.0065  # ISO 2533:1975, up to 11 km
HIGHEST_M: Final = 11_000.0
WIND_EXPONENT: Final = 1 / 7  # open level ground, neutral air; common practice in wind engineering
# A power law has an infinite slope at the ground and says nothing true between the blades of grass.
LOWEST_WIND_M: Final = 1.0


@dataclass(frozen=True, slots=True)
class Air:
    """The weather at the pad."""

    temperature_k: float
    pressure_pa: float
    density_kg_m3: float
    wind_height_m: float  # at which the wind was measured
    wind_exponent: float


def moist_density(temperature_k: float, pressure_pa: float, humidity: float) -> float:
    """Return the density of moist air in kg/m3; humidity is relative, from 0 to 1.

    Notes
    -----
    CIPM-2007 (Picard, Davis, Gläser & Fujii, *Metrologia* 45, 2008, 149-155) with 400 µmol/mol of carbon dioxide.
    """
    t, kelvin, p = temperature_k - ZERO_CELSIUS_K, temperature_k, pressure_pa
    saturated_pa = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    vapour = humidity * enhancement * saturated_pa / p
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    first += (5.707e-6 - 2.051e-8 * t) * vapour + (1.9898e-4 - 2.376e-6 * t) * vapour**2
    compressibility = 1 - p / kelvin * first + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * vapour**2)
    return float(3.483740e-3 * p / (compressibility * kelvin) * (1 - 0.3780 * vapour))


def standard_pressure(height_m: float) -> float:
    """Return the pressure in Pa at a geopotential height above the sea, from -500 to 11 000 m (ISO 2533:1975).

    Examples
    --------
    >>> standard_pressure(0.0)
    101325.0
    """
    share = 1 - LAPSE_K_M * height_m / 288.15
    return float(101325.0 * share ** (STANDARD_GRAVITY / (DRY_AIR_J_KG_K * LAPSE_K_M)))


def density_at(air: Air, height_m: Vector | float) -> Vector:
    """Return the density in kg/m3 at a height above the pad, with the standard lapse rate from the pad's own weather.

    Above 11 km, far beyond any model, it stays as it is there.
    """
    power = STANDARD_GRAVITY / (DRY_AIR_J_KG_K * LAPSE_K_M) - 1
    colder = -LAPSE_K_M / air.temperature_k * np.minimum(height_m, HIGHEST_M)
    return np.asarray(air.density_kg_m3 * np.exp(power * np.log1p(colder)))


def wind_at(air: Air, wind_m_s: Vector | float, height_m: Vector | float) -> Vector:
    """Return the speed of the wind at a height above the pad: a power law of what was measured at the air's wind height."""
    return np.asarray(wind_m_s * (np.maximum(height_m, LOWEST_WIND_M) / air.wind_height_m) ** air.wind_exponent)


def canopy_drift(air: Air, wind_m_s: Vector | float, height_m: Vector | float, descent_m_s: Vector | float) -> Vector:
    """Return how far downwind in metres a body lands that sinks steadily with the wind from a height, by the same power law."""
    above = np.maximum(height_m, 0.0)
    share = (above / air.wind_height_m) ** air.wind_exponent / (1 + air.wind_exponent)
    return np.asarray(wind_m_s * share * above / descent_m_s)
