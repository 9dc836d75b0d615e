"""Many days quickly: readings of apexes without firmware, for statistical tests. Plain arrays in, plain arrays out.

The error model is the usual one of angle measurement: a zero error per station and day, a random error per reading, a survey error
per station, and a press that comes early or late while the model drifts and falls.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.units import DEG, STANDARD_GRAVITY

Vector = NDArray[np.float64]

_STEP_S: Final = 0.05  # between samples of a track


@dataclass(frozen=True, slots=True)
class Noise:
    """One sigma of everything that goes wrong; set a figure to zero to leave it out."""

    pointing_rad: float = 0.3 * DEG  # per reading, elevation, and azimuth across the line of sight unless azimuth_rad is given
    azimuth_rad: float | None = None  # of the azimuth reading itself; None: pointing_rad / cos(elevation)
    elevation_zero_rad: float = 0.0  # per station and day
    azimuth_zero_rad: float = 0.0  # per station and day
    survey_m: float = 0.0  # per axis and station
    press_s: float = 0.0  # of the mark about the apex
    drift_m_s: float = 0.0  # horizontal speed at the apex, per axis


@dataclass(frozen=True, slots=True)
class Readings:
    """One day of F flights from N stations."""

    azimuth_rad: Vector  # (F, N) in [0, 2 pi)
    elevation_rad: Vector  # (F, N)
    press_s: Vector  # (F, N) after the apex
    surveyed_m: Vector  # (N, 3) the stations as the host believes them
    apex_m: Vector  # (F, 3) the truth
    drift_m_s: Vector  # (F, 3) velocity at the apex, level


@dataclass(frozen=True, slots=True)
class TrackReadings:
    """Directions that one observer held around one mark."""

    time_s: Vector  # (M,) after the apex
    azimuth_rad: Vector  # (M,)
    elevation_rad: Vector  # (M,)


def simulate_readings(rng: np.random.Generator, station_m: Vector, apex_m: Vector, noise: Noise) -> Readings:
    """Return one day's readings.

    Parameters
    ----------
    station_m : (N, 3) array
        True stations, east, north, up.
    apex_m : (F, 3) array
        True apexes.
    """
    flights, stations = len(apex_m), len(station_m)
    drift = np.column_stack([rng.normal(0, noise.drift_m_s, (flights, 2)), np.zeros(flights)])
    press_s = rng.normal(0, noise.press_s, (flights, stations))
    azimuth, elevation = _look(fall(apex_m[:, None], drift[:, None], press_s) - station_m)
    azimuth = azimuth + rng.normal(0, noise.azimuth_zero_rad, stations) + _azimuth_error(rng, elevation, noise)
    elevation = elevation + rng.normal(0, noise.elevation_zero_rad, stations)
    elevation = elevation + rng.normal(0, noise.pointing_rad, (flights, stations))
    surveyed = station_m + rng.normal(0, noise.survey_m, station_m.shape)
    return Readings(azimuth % (2 * np.pi), elevation, press_s, surveyed, apex_m, drift)


def simulate_track(
    rng: np.random.Generator,
    station_m: Vector,
    flight: tuple[Vector, Vector],
    noise: tuple[float, float],
    window_s: tuple[float, float],
) -> TrackReadings:
    """Return the track of one station (3,) around the apex of one flight.

    ``flight`` is (apex_m, velocity at the apex in m/s), ``noise`` (sigma in rad, correlation time in s) of an Ornstein-Uhlenbeck
    pointing error, the same in elevation and across the line of sight; ``window_s`` first and last time after the apex.
    """
    time_s = np.arange(window_s[0], window_s[1] + _STEP_S / 2, _STEP_S)
    azimuth, elevation = _look(fall(flight[0], flight[1], time_s) - station_m)
    up, across = (wander(rng, len(time_s), noise) for _ in range(2))
    return TrackReadings(time_s, np.unwrap(azimuth) + across / np.cos(elevation), elevation + up)


def fall(apex_m: Vector, drift_m_s: Vector, time_s: Vector) -> Vector:
    """Return positions (..., 3) at times after the apex: level drift, and free fall on both sides of it."""
    drop = np.array([0.0, 0.0, STANDARD_GRAVITY / 2])
    return np.asarray(apex_m + drift_m_s * time_s[..., None] - drop * time_s[..., None] ** 2)


def wander(rng: np.random.Generator, count: int, noise: tuple[float, float]) -> Vector:
    """Return an Ornstein-Uhlenbeck process (count,) of (sigma, correlation time in s), stationary from its first sample."""
    sigma, time_s = noise
    keep = float(np.exp(-_STEP_S / time_s))
    kicks = rng.normal(0, 1, count)
    values = np.empty(count)
    values[0] = kicks[0]
    for i in range(1, count):
        values[i] = keep * values[i - 1] + np.sqrt(1 - keep * keep) * kicks[i]
    return sigma * values


def _look(sight_m: Vector) -> tuple[Vector, Vector]:
    east, north, up = sight_m[..., 0], sight_m[..., 1], sight_m[..., 2]
    return np.arctan2(east, north), np.arctan2(up, np.hypot(east, north))


def _azimuth_error(rng: np.random.Generator, elevation_rad: Vector, noise: Noise) -> Vector:
    unit = rng.normal(0, 1, elevation_rad.shape)
    if noise.azimuth_rad is not None:
        return unit * noise.azimuth_rad
    return np.asarray(unit * noise.pointing_rad / np.cos(elevation_rad))
