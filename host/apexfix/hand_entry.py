"""Hand readings as a conversation: flight, then station by station an elevation and an azimuth. No terminal in sight.

The state is the list of answers given so far to one flight; going back is leaving out the last one. So every question depends on
what was answered and on nothing else.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import atan2, pi
from typing import Final

from apexfix.angle_words import angle_deg
from apexfix.decisions import HIGHEST_FLIGHT
from apexfix.fields import Unfit, shown, whole
from apexfix.model import Sighting, Site, Station
from apexfix.units import DEG

LOST: Final = "-"
BACK: Final = "b"
QUIT: Final = "q"
_LOW_DEG: Final = 5.0  # an elevation below is more often a slip than a flight
_OVERHEAD_DEG: Final = 90.0  # above, the observer leaned back beyond the zenith
_BESIDE_RAD: Final = 90 * DEG  # an azimuth that points away from the pad

Answer = float | None  # degrees; None where it is lost (elevation) or not read (azimuth)


@dataclass(frozen=True, slots=True)
class Entry:
    """How far the entry of one flight is. ``doubted`` is an answer that waits for a yes."""

    site: Site
    proposed: int  # the flight that an empty answer means
    known: frozenset[int] = frozenset()  # flights that have readings already
    flight: int | None = None
    answers: tuple[Answer, ...] = ()
    doubted: float | None = None


@dataclass(frozen=True, slots=True)
class Finished:
    """All of a flight is entered."""

    flight: int
    sightings: tuple[Sighting, ...]


def question(entry: Entry) -> str:
    """Return what to ask next."""
    if entry.flight is None:
        return f"flight [{entry.proposed}]"
    station, quantity = _wanted(entry)
    if entry.doubted is not None:
        return f"  {station.id}: {_doubt(entry, entry.doubted)} Is that right? (y/n)"
    return f"  {station.id}: {quantity}"


def answered(entry: Entry, words: str) -> Entry | Finished:
    """Return the entry after an answer.

    Raises
    ------
    Unfit
        The answer fits the question in no way, or there is nothing to go back to; the question is still open.
    """
    words = words.strip()
    if words.lower() == BACK:
        return _back(entry)
    if entry.flight is None:
        return replace(entry, flight=_flight(words, entry.proposed))
    if entry.doubted is not None:
        return _settled(entry, words)
    value = _value(entry, words)
    if value is not None and _doubt(entry, value):
        return replace(entry, doubted=value)
    return _advanced(entry, value)


def _advanced(entry: Entry, value: Answer) -> Entry | Finished:
    after = replace(entry, answers=(*entry.answers, value), doubted=None)
    places = _places(after)
    if after.flight is not None and len(places) == len(after.answers):
        return Finished(after.flight, _sightings(after))
    return after


def _back(entry: Entry) -> Entry:
    if entry.doubted is not None:
        return replace(entry, doubted=None)
    if entry.answers:
        return replace(entry, answers=entry.answers[:-1])
    if entry.flight is None:
        raise Unfit("this is the first question; an earlier flight is corrected by entering its number again")
    return replace(entry, flight=None)


def _settled(entry: Entry, words: str) -> Entry | Finished:
    if words.lower() in ("y", "yes"):
        return _advanced(entry, entry.doubted)
    if words.lower() in ("n", "no"):
        return replace(entry, doubted=None)
    raise Unfit(f"{_seen(words)}, y or n expected")


# --- what is asked --------------------------------------------------------------------------------------------------


def _places(entry: Entry) -> tuple[tuple[Station, str], ...]:
    """Return station and quantity of every answer so far and of those to come; a lost elevation has no azimuth."""
    places: list[tuple[Station, str]] = []
    for station in entry.site.stations:
        lost = len(places) < len(entry.answers) and entry.answers[len(places)] is None
        places.append((station, "elevation"))
        if not lost:
            places.append((station, "azimuth"))
    return tuple(places)


def _wanted(entry: Entry) -> tuple[Station, str]:
    return _places(entry)[len(entry.answers)]


def _doubt(entry: Entry, value_deg: float) -> str:
    """Return what is unlikely about an answer, "" where nothing is."""
    station, quantity = _wanted(entry)
    if quantity == "elevation":
        if value_deg < _LOW_DEG:
            return f"{value_deg:g}° is hardly above the horizon."
        return f"{value_deg:g}° is past the zenith, leaning back." if value_deg > _OVERHEAD_DEG else ""
    east_m, north_m, _ = station.position_m
    pad_rad = atan2(-east_m, -north_m) % (2 * pi)
    beside_rad = abs((value_deg * DEG - pad_rad + pi) % (2 * pi) - pi)
    overhead = (entry.answers[-1] or 0.0) > _OVERHEAD_DEG
    away = beside_rad > _BESIDE_RAD and (east_m, north_m) != (0.0, 0.0) and not overhead
    return f"{value_deg:g}° points away from the pad, which is at {pad_rad / DEG:.0f}°." if away else ""


# --- what was answered ----------------------------------------------------------------------------------------------


def _flight(words: str, proposed: int) -> int:
    try:
        number = int(words) if words.isascii() and words.isdigit() and len(words) < 10 else words or proposed
        return int(str(whole(1, HIGHEST_FLIGHT)(number)))
    except Unfit as unfit:
        raise Unfit(f"{_seen(words)}, a flight from 1 to {HIGHEST_FLIGHT} expected") from unfit


def _value(entry: Entry, words: str) -> Answer:
    _, quantity = _wanted(entry)
    if words == LOST:
        return None
    if quantity == "azimuth":
        return None if not words else _within(words, angle_deg(words), 0, 360)
    if not words:
        raise Unfit(f"nothing seen, an elevation like 45.5 or 45 30 expected, or {LOST} where the model was lost")
    return _within(words, angle_deg(words), -90, 180)


def _within(words: str, value_deg: float, low: int, high: int) -> float:
    if not low <= value_deg <= high:
        raise Unfit(f"{_seen(words)}, {low} to {high} degrees expected")
    return value_deg


def _seen(words: str) -> str:
    return f"{shown(words).removesuffix(' (text)')} seen" if words else "nothing seen"


def _sightings(entry: Entry) -> tuple[Sighting, ...]:
    given: Mapping[tuple[str, str], Answer] = {
        (station.id, quantity): answer for (station, quantity), answer in zip(_places(entry), entry.answers, strict=True)
    }
    return tuple(
        Sighting(
            flight=entry.flight or entry.proposed,
            station=station.id,
            utc_us=None,
            azimuth_rad=_radians(given.get((station.id, "azimuth"))),
            elevation_rad=elevation_deg * DEG,
        )
        for station in entry.site.stations
        if (elevation_deg := given[station.id, "elevation"]) is not None
    )


def _radians(angle: Answer) -> float | None:
    return None if angle is None else angle % 360 * DEG
