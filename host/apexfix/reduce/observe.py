"""One flight as arrays: every sigma filled in, from the reading, else from its station, else from the defaults."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import Flight, Sighting, Site, Station, Vector
from apexfix.units import DEG


@dataclass(frozen=True, slots=True)
class Defaults:
    """Sigmas where neither the reading nor the station states one.

    The hand figures are those of a protractor with a plumb line or a tripod head with a printed circle: divisions of one degree,
    read while the model moves. The sporting codes ask for instruments good to half a degree; a bystander's is worse, and a sigma
    that is too small is the worse mistake. A unit's figures hold for a calibrated sensor held by hand: the sensor is good to some
    hundredths of a degree, the hand that follows a speck is not.
    """

    hand_elevation_rad: float = 1.0 * DEG
    hand_azimuth_rad: float = 1.0 * DEG
    unit_elevation_rad: float = 0.3 * DEG
    unit_azimuth_rad: float = 0.5 * DEG  # the heading drifts between backsights by 0.1-0.2 degrees in some minutes
    elevation_zero_rad: float = 0.3 * DEG  # what six faces without a level target leave in the sighting axis
    azimuth_zero_rad: float = 0.5 * DEG  # a backsight whose bearing came from a map or a compass corrected for declination
    time_s: float = 0.3  # of a press against the apex: a person's reaction to a speck that slows down


HAND = "hand"  # the source of a sighting that no unit recorded


@dataclass(frozen=True, slots=True)
class Observations:
    """One flight as arrays, one row for each station that read something; NaN where a quantity is missing."""

    station: tuple[str, ...]
    station_m: Vector  # (N, 3)
    azimuth_rad: Vector  # (N,) NaN: elevation only
    elevation_rad: Vector  # (N,) may exceed pi/2
    sigma_azimuth_rad: Vector  # (N,) random, of the azimuth reading
    sigma_elevation_rad: Vector  # (N,) random
    sigma_azimuth_zero_rad: Vector  # (N,) common to all flights of the day
    sigma_elevation_zero_rad: Vector  # (N,) the same
    sigma_position_m: Vector  # (N,) per axis
    sigma_time_s: Vector  # (N,) of the press against the apex; 0 for a hand reading, whose own sigma holds it


def observe(site: Site, flight: Flight, defaults: Defaults) -> Observations:
    """Return the sightings of a flight as arrays, in their order.

    Raises
    ------
    ReductionError
        A sighting of a station that the site does not have, or two sightings of one station.
    """
    sightings = flight.sightings
    stations = [_station(site, flight, sighting) for sighting in sightings]
    names = tuple(sighting.station for sighting in sightings)
    for name in names:
        if names.count(name) > 1:
            raise ReductionError(
                f"flight {flight.number} has {names.count(name)} sightings of station {name}; keep the one that holds"
            )
    pairs = list(zip(stations, sightings, strict=True))
    return Observations(
        station=names,
        station_m=np.array([s.position_m for s in stations], dtype=np.float64).reshape(-1, 3),
        azimuth_rad=_column(np.nan if r.azimuth_rad is None else r.azimuth_rad for r in sightings),
        elevation_rad=_column(r.elevation_rad for r in sightings),
        sigma_azimuth_rad=_column(_sigma_azimuth(s, r, defaults) for s, r in pairs),
        sigma_elevation_rad=_column(_sigma_elevation(s, r, defaults) for s, r in pairs),
        sigma_azimuth_zero_rad=_column(_first(s.sigma_azimuth_zero_rad, defaults.azimuth_zero_rad) for s in stations),
        sigma_elevation_zero_rad=_column(_first(s.sigma_elevation_zero_rad, defaults.elevation_zero_rad) for s in stations),
        sigma_position_m=_column(s.sigma_position_m for s in stations),
        sigma_time_s=_column(0.0 if r.source == HAND else np.hypot(defaults.time_s, r.sigma_time_s or 0.0) for r in sightings),
    )


def _station(site: Site, flight: Flight, sighting: Sighting) -> Station:
    try:
        return site.station(sighting.station)
    except KeyError:
        known = ", ".join(station.id for station in site.stations) or "no station at all"
        raise ReductionError(
            f"flight {flight.number} was seen from station {sighting.station}, and the site has {known}; "
            "add the station to the site or correct the name"
        ) from None


def _sigma_azimuth(station: Station, sighting: Sighting, defaults: Defaults) -> float:
    otherwise = defaults.hand_azimuth_rad if sighting.source == HAND else defaults.unit_azimuth_rad
    return _first(sighting.sigma_azimuth_rad, station.sigma_azimuth_rad, otherwise)


def _sigma_elevation(station: Station, sighting: Sighting, defaults: Defaults) -> float:
    otherwise = defaults.hand_elevation_rad if sighting.source == HAND else defaults.unit_elevation_rad
    return _first(sighting.sigma_elevation_rad, station.sigma_elevation_rad, otherwise)


def _first(*choices: float | None) -> float:
    return next(choice for choice in choices if choice is not None)


def _column(values: Iterable[float]) -> Vector:
    return np.array(list(values), dtype=np.float64)
