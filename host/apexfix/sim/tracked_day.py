"""A day of many flights with the tracks of three observers, quickly: no firmware and no archive, values as the reduction takes."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.model import Exclusion, Flight, Sighting, Site, Station, Track
from apexfix.sim.readings import TrackReadings, simulate_track
from apexfix.units import DEG, SECOND_US

Vector = NDArray[np.float64]

_PLACES: Final = {"north oak": (20.0, 160.0, 1.5), "gate": (150.0, -70.0, 1.6), "hedge": (-120.0, -110.0, 1.4)}
_FIRST_US: Final = 1_781_336_400 * SECOND_US  # 2026-06-13 07:40 UTC, an invented date
_BETWEEN_S: Final = 120
_HELD: Final = (0.3 * DEG, 0.5)  # sigma and life of a tracking error
_WINDOW_S: Final = (-3.0, 1.0)
_RATE_HZ: Final = 100  # of a unit
_BLUNDER_RAD: Final = 25 * DEG


def tracked_day(rng: np.random.Generator, count: int) -> tuple[Site, tuple[Flight, ...]]:
    """Return an invented site, in summer time, and so many flights that all three stations followed.

    At the second flight one mark was by mistake, and the first station's azimuth is wrong by far.
    """
    site = Site(
        "Larkfield meadow (invented)",
        tuple(Station(name, np.array(place), 0.05, None, None, None, None, None, None) for name, place in _PLACES.items()),
        timezone="Europe/Berlin",
        wind_m_s=3.2,
        wind_from_rad=250 * DEG,
    )
    return site, tuple(_flight(rng, site, number) for number in range(1, count + 1))


def _flight(rng: np.random.Generator, site: Site, number: int) -> Flight:
    apex = np.array([*rng.normal(0, 20, 2), rng.uniform(70, 250)]), np.array([*rng.normal(0, 3, 2), 0.0])
    apex_us = _FIRST_US + number * _BETWEEN_S * SECOND_US
    seen = [_seen(rng, station, apex, (number, apex_us)) for station in site.stations]
    sightings = [sighting for sighting, _ in seen]
    aside: tuple[Exclusion, ...] = ()
    if number == 2:
        aside = (Exclusion("gate", "mark", "pressed again: this press came 1.4 s after the one that fits the other stations"),)
        sightings[0] = _wrong(sightings[0])
    return Flight(number, tuple(sightings), tuple(track for _, track in seen), set_aside=aside)


def _seen(
    rng: np.random.Generator, station: Station, apex: tuple[Vector, Vector], when: tuple[int, int]
) -> tuple[Sighting, Track]:
    number, apex_us = when
    coarse = simulate_track(rng, station.position_m, apex, _HELD, _WINDOW_S)
    held = _at_rate(coarse)
    press_s = float(np.clip(rng.normal(0, 0.3), -2, 0.9))
    stamps = apex_us + np.rint(held.time_s * SECOND_US).astype(np.int64)
    press_us = apex_us + round(press_s * SECOND_US)
    azimuth, elevation = (float(np.interp(press_s, held.time_s, angle)) for angle in (held.azimuth_rad, held.elevation_rad))
    sighting = Sighting(number, station.id, press_us, azimuth % (2 * np.pi), elevation, sigma_time_s=0.001, source="invented")
    turned = np.mod(held.azimuth_rad, 2 * np.pi)
    return sighting, Track(number, station.id, stamps, turned, held.elevation_rad, press_us, 0.001)


def _at_rate(coarse: TrackReadings) -> TrackReadings:
    time_s = np.arange(_WINDOW_S[0], _WINDOW_S[1], 1 / _RATE_HZ)
    return TrackReadings(time_s, *(np.interp(time_s, coarse.time_s, angle) for angle in (coarse.azimuth_rad, coarse.elevation_rad)))


def _wrong(sighting: Sighting) -> Sighting:
    azimuth = None if sighting.azimuth_rad is None else (sighting.azimuth_rad + _BLUNDER_RAD) % (2 * np.pi)
    return Sighting(
        sighting.flight, sighting.station, sighting.utc_us, azimuth, sighting.elevation_rad,
        sigma_time_s=sighting.sigma_time_s, note="=bumped the stand", source=sighting.source,
    )  # fmt: skip
