"""Where the observers stood, as a person types it in, and the site.toml that holds it. No terminal in sight."""

from collections.abc import Collection, Sequence
from typing import Final, NamedTuple

from apexfix.angle_words import angle_deg
from apexfix.fields import Unfit, number, text

EYE_M: Final = 1.5  # above the pad's base, of somebody who stands on level ground
SIGMA_DEG: Final = 1.0  # common practice for a hand tool
_FARTHEST_M: Final = 20_000.0  # as a site.toml allows
_LONGEST_NAME: Final = 32


class Place(NamedTuple):
    """One station, from the pad by tape and compass."""

    name: str
    distance_m: float
    bearing_deg: float  # from the pad to the station, clockwise from true north
    eye_m: float  # above the pad's base


def new_name(words: str, known: Collection[str]) -> str:
    """Return the name of a station; Unfit where it does not serve or is taken."""
    name = words.strip()
    if name in known:
        raise Unfit(f"{name} is entered already, another name expected")
    return str(text(_LONGEST_NAME)(name))


def metres(words: str, low: float, high: float) -> float:
    """Return a length in metres, typed with a decimal point or comma; Unfit where it is none or out of range."""
    try:
        value = float(words.strip().replace(",", "."))
    except ValueError:
        raise Unfit(f"{words.strip()[:20]!r} seen, metres like 82.4 expected") from None
    return float(str(number(low, high)(value)))


def distance_m(words: str) -> float:
    """Return the distance of a station from the pad; Unfit where it is none."""
    return metres(words, 1.0, _FARTHEST_M)


def eye_m(words: str) -> float:
    """Return the height of an eye above the pad's base; an empty answer means a person who stands on level ground."""
    return metres(words, -2000.0, 2000.0) if words.strip() else EYE_M


def bearing_deg(words: str) -> float:
    """Return a bearing from 0 to 360 degrees; Unfit where it is none."""
    return _between(angle_deg(words), 0.0, 360.0)


def sigma_deg(words: str) -> float:
    """Return the sigma of a reading in degrees; an empty answer means a hand tool."""
    return _between(angle_deg(words), 0.01, 45.0) if words.strip() else SIGMA_DEG


def _between(value_deg: float, low: float, high: float) -> float:
    if not low <= value_deg <= high:
        raise Unfit(f"{value_deg:g}° seen, {low:g} to {high:g} degrees expected")
    return value_deg


def site_toml(name: str, places: Sequence[Place], sigma_deg: float) -> str:
    """Return the text of a site.toml; of a name that a site cannot have what it can have."""
    name = "".join(c for c in name if c.isprintable())[:_LONGEST_NAME].strip() or "site"
    head = ["# Typed in; every figure may be corrected. Bearings are true.", "format = 1", "", "[site]", f"name = {_quoted(name)}"]
    return "\n".join([*head, *(line for place in places for line in _station(place, sigma_deg)), ""])


def _station(place: Place, sigma_deg: float) -> list[str]:
    figures = {
        "distance_m": place.distance_m,
        "bearing_deg": round(place.bearing_deg, 6),
        "up_m": place.eye_m,
        "sigma_elevation_deg": round(sigma_deg, 6),
        "sigma_azimuth_deg": round(sigma_deg, 6),
    }
    return ["", "[[station]]", f"id = {_quoted(place.name)}", *(f"{field} = {value:.10g}" for field, value in figures.items())]


def _quoted(words: str) -> str:
    """Return a basic string of TOML."""
    return '"' + "".join(c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in words) + '"'
