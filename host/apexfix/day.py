"""The folder of one launch day: its files, and the flights in its hand readings."""

from collections.abc import Iterable
from typing import Final

from apexfix.model import Exclusion, Flight, Sighting
from apexfix.sightings_file import append_sightings, read_sightings, sightings_text, write_sightings
from apexfix.site_file import read_site
from apexfix.units import DEG

__all__ = [
    "SIGHTINGS_NAME", "SITE_NAME", "append_sightings", "flights_from_hand", "read_sightings", "read_site", "sightings_text",
    "write_sightings",
]  # fmt: skip

SITE_NAME: Final = "site.toml"
SIGHTINGS_NAME: Final = "sightings.csv"


def flights_from_hand(sightings: Iterable[Sighting]) -> tuple[Flight, ...]:
    """Return the flights that hand readings are about, in the order of their numbers.

    Of several readings of one flight from one station the last counts, as a correction of the earlier ones, which are set aside.
    """
    flights: dict[int, dict[str, list[Sighting]]] = {}
    for sighting in sightings:
        flights.setdefault(sighting.flight, {}).setdefault(sighting.station, []).append(sighting)
    return tuple(_flight(number, stations) for number, stations in sorted(flights.items()))


def _flight(number: int, stations: dict[str, list[Sighting]]) -> Flight:
    return Flight(
        number=number,
        sightings=tuple(readings[-1] for readings in stations.values()),
        set_aside=tuple(
            Exclusion(station, "sighting", f"a later reading of this flight from this station replaces {_described(earlier)}")
            for station, readings in stations.items()
            for earlier in readings[:-1]
        ),
    )


def _described(sighting: Sighting) -> str:
    elevation = f"elevation {sighting.elevation_rad / DEG:.2f}°"
    return elevation if sighting.azimuth_rad is None else f"azimuth {sighting.azimuth_rad / DEG:.2f}°, {elevation}"
