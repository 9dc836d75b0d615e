"""From what a barometric altimeter indicates to metres above the pad.

An altimeter turns pressure into height as if the air were the standard atmosphere (ISO 2533:1975). The layer of air between two
pressures is thicker where the air is warmer or moister, so the gain it indicates is multiplied by the true virtual temperature at
the pad over the standard one at the same pressure. With the standard lapse rate above both this is exact, not a linear correction.
"""

from dataclasses import dataclass
from math import sin, sqrt
from typing import Final

import numpy as np

from apexfix.air import DRY_AIR_J_KG_K, LAPSE_K_M, ZERO_CELSIUS_K, moist_density, standard_pressure
from apexfix.model import Vector
from apexfix.units import EARTH_RADIUS_M, STANDARD_GRAVITY

STANDARD_PRESSURE_PA: Final = 101_325.0
STANDARD_TEMPERATURE_K: Final = 288.15
TEMPERATURE: Final = "air temperature"  # its name in a budget
_EXPONENT: Final = DRY_AIR_J_KG_K * LAPSE_K_M / STANDARD_GRAVITY  # 0.190263

# What is not known is assumed, with a sigma that is common practice and has no source beyond the one named.
UNKNOWN_TEMPERATURE: Final = (ZERO_CELSIUS_K + 15.0, 10.0)  # K and its sigma: flying weather of most of the year
SIGMA_THERMOMETER_K: Final = 1.5  # a household thermometer in the shade
SIGMA_SENSOR_K: Final = 4.0  # the altimeter's own, in a body tube in the Sun, and itself a little warm
UNKNOWN_HUMIDITY: Final = (0.5, 0.25)
SIGMA_HUMIDITY: Final = 0.1
SIGMA_LAPSE_K_M: Final = 0.004  # dry air over warm ground has 0.0098 K/m, a clear morning the other sign
UNKNOWN_PAD_HEIGHT_SIGMA_M: Final = 500.0
SIGMA_PAD_PRESSURE_M: Final = 80.0  # the standard atmosphere's pressure at a known height against the day's weather: 10 hPa
SIGMA_GRAVITY: Final = 0.0013  # share, where the latitude is unknown: half of what lies between equator and pole
# Relative accuracy of small pressure sensors over a flight's range, from memory of their data sheets: 12 Pa, a metre of air.
SIGMA_SENSOR_M: Final = 1.0


@dataclass(frozen=True, slots=True)
class PadAir:
    """The air at the pad and how well it is known. `sigma_*` are one standard deviation."""

    temperature_k: float
    sigma_temperature_k: float
    humidity: float  # 0 to 1
    sigma_humidity: float
    pressure_height_m: float  # of the pad, in the standard atmosphere
    sigma_pressure_height_m: float
    gravity_m_s2: float
    sigma_gravity_share: float
    height_m: float  # of the pad above the sea, 0 where it is unknown: it matters by 0.03 % for each kilometre


def pressure_height(pressure_pa: Vector | float) -> Vector:
    """Return the geopotential height in the standard atmosphere, from below the sea to 11 km (ISO 2533:1975).

    Examples
    --------
    >>> abs(float(pressure_height(101325.0))), round(float(pressure_height(98_800.0) - pressure_height(100_000.0)), 2)
    (0.0, 101.46)
    """
    share = np.asarray(pressure_pa) / STANDARD_PRESSURE_PA
    return np.asarray(STANDARD_TEMPERATURE_K / LAPSE_K_M * -np.expm1(_EXPONENT * np.log(share)))


def virtual_temperature(temperature_k: float, pressure_pa: float, humidity: float) -> float:
    """Return the temperature in K at which dry air of that pressure has the density of the moist air (density: CIPM-2007)."""
    return pressure_pa / (DRY_AIR_J_KG_K * moist_density(temperature_k, pressure_pa, humidity))


def gravity(latitude_rad: float, height_m: float) -> float:
    """Return the normal gravity in m/s2 (WGS 84: Somigliana's formula, and the free-air gradient above the ellipsoid)."""
    square = sin(latitude_rad) ** 2
    at_sea = 9.7803253359 * (1 + 0.00193185265241 * square) / sqrt(1 - 0.00669437999013 * square)
    return at_sea - 3.086e-6 * height_m


def true_gain(indicated_m: Vector | float, air: PadAir) -> Vector:
    """Return the geometric height above the pad for a gain that the standard atmosphere indicates.

    Examples
    --------
    >>> dry = PadAir(303.15, 0.0, 0.0, 0.0, float(pressure_height(1e5)), 0.0, STANDARD_GRAVITY, 0.0, 0.0)
    >>> round(float(true_gain(101.455, dry)), 1)
    107.0
    """
    geopotential_m = np.asarray(indicated_m) * _warmth(air)
    level_m = geopotential_m * STANDARD_GRAVITY / air.gravity_m_s2
    return np.asarray(level_m * (1 + level_m / (EARTH_RADIUS_M + air.height_m)))  # gravity lessens with height


def _warmth(air: PadAir) -> float:
    pressure_pa = standard_pressure(air.pressure_height_m)
    warm_k = virtual_temperature(air.temperature_k, pressure_pa, air.humidity)
    return warm_k / (STANDARD_TEMPERATURE_K - LAPSE_K_M * air.pressure_height_m)


def air_budget(height_m: float, air: PadAir) -> dict[str, float]:
    """Return what the air adds to the sigma of a true height, in metres, by source. All are common to the flights of a day."""
    pressure_pa = standard_pressure(air.pressure_height_m)
    moist_k = virtual_temperature(air.temperature_k, pressure_pa, min(air.humidity + air.sigma_humidity, 1.0))
    humid_k = moist_k - virtual_temperature(air.temperature_k, pressure_pa, air.humidity)
    standard_k = STANDARD_TEMPERATURE_K - LAPSE_K_M * air.pressure_height_m
    return {
        TEMPERATURE: abs(height_m) * air.sigma_temperature_k / air.temperature_k,
        "lapse rate": height_m**2 * SIGMA_LAPSE_K_M / (2 * air.temperature_k),
        "humidity": abs(height_m * humid_k) / air.temperature_k,
        "pressure at the pad": abs(height_m) * LAPSE_K_M * air.sigma_pressure_height_m / standard_k,
        "gravity": abs(height_m) * air.sigma_gravity_share,
    }


@dataclass(frozen=True, slots=True)
class Weather:
    """What somebody measured of the air at the pad; None where nobody did."""

    temperature_k: float | None = None
    sigma_temperature_k: float = SIGMA_THERMOMETER_K
    humidity: float | None = None  # 0 to 1
    pressure_pa: float | None = None


@dataclass(frozen=True, slots=True)
class Pad:
    """Where the pad is; None where the site file does not say."""

    latitude_rad: float | None = None
    height_m: float | None = None


def pad_air(weather: Weather, pad: Pad) -> PadAir:
    """Return the air at the pad, with what is not known assumed and its sigma widened to say so."""
    temperature_k, sigma_k = (weather.temperature_k, weather.sigma_temperature_k)
    if temperature_k is None:
        temperature_k, sigma_k = UNKNOWN_TEMPERATURE
    humidity = UNKNOWN_HUMIDITY if weather.humidity is None else (weather.humidity, SIGMA_HUMIDITY)
    height_m = pad.height_m or 0.0
    pressed, sigma_m = height_m, SIGMA_PAD_PRESSURE_M if pad.height_m is not None else UNKNOWN_PAD_HEIGHT_SIGMA_M
    if weather.pressure_pa is not None:
        pressed, sigma_m = float(pressure_height(weather.pressure_pa)), 0.0
    known = pad.latitude_rad is not None
    local = gravity(pad.latitude_rad, height_m) if pad.latitude_rad is not None else STANDARD_GRAVITY
    return PadAir(temperature_k, sigma_k, *humidity, pressed, sigma_m, local, 0.0 if known else SIGMA_GRAVITY, height_m)
