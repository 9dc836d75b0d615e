"""Figures as a person reads them: no more digits than the uncertainty leaves, in the unit and the hour of the place."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from math import floor, isfinite, log10, sqrt
from typing import Final
from zoneinfo import ZoneInfo

from apexfix.model import FlightResult, Residual
from apexfix.units import DEG, FOOT, SECOND_US


@dataclass(frozen=True, slots=True)
class Manner:
    """How a person wants figures written. Files for programs know nothing of it: they stay in metres and UTC."""

    feet: bool = False
    timezone: str | None = None  # an IANA name; None is UTC


PLAIN: Final = Manner()
# "12.3 m", "80 .. 95 m" or "80 to 95 m" in a sentence of the reduction; a speed or an area is none.
_LENGTHS: Final = re.compile(r"((?:[-+]?\d+(?:\.\d+)? (?:\.\.|to) )?[-+]?\d+(?:\.\d+)?) m(?![\w/²³])")
_NUMBER: Final = re.compile(r"([-+]?)(\d+(?:\.(\d+))?)")


def unit_word(manner: Manner) -> str:
    """Return the sign of the unit of lengths."""
    return "ft" if manner.feet else "m"


def length(value_m: float, manner: Manner) -> float:
    """Return a length in the unit of the manner.

    Examples
    --------
    >>> length(0.3048, Manner(feet=True)), length(0.3048, PLAIN)
    (1.0, 0.3048)
    """
    return value_m / FOOT if manner.feet else value_m


def length_words(value_m: float, sigma_m: float | None, manner: Manner = PLAIN) -> str:
    """Return a length with its unit, by the digits that its sigma leaves; by one decimal where there is none.

    Examples
    --------
    >>> length_words(100.04, 1.2), length_words(100.04, 1.2, Manner(feet=True)), length_words(100.04, None)
    ('100.0 m', '328.2 ft', '100.0 m')
    """
    places = 1 if sigma_m is None else decimals(length(sigma_m, manner))
    return f"{fixed(length(value_m, manner), places)} {unit_word(manner)}"


def sentence(text: str, manner: Manner) -> str:
    """Return a sentence of the reduction, which knows only metres, with its lengths in the unit of the manner.

    Examples
    --------
    >>> sentence("known only to 80 .. 95 m (95 %); +1.5 m/s, 1 of 2 marks", Manner(feet=True))
    'known only to 262 .. 312 ft (95 %); +1.5 m/s, 1 of 2 marks'
    >>> sentence("oak +1.2 m, gate -0.4 m", Manner(feet=True)), sentence("at 86.8 m", PLAIN)
    ('oak +3.9 ft, gate -1.3 ft', 'at 86.8 m')
    """
    return _LENGTHS.sub(_in_feet, text) if manner.feet else text


def _in_feet(found: re.Match[str]) -> str:
    return _NUMBER.sub(lambda one: f"{one[1]}{float(one[2]) / FOOT:.{len(one[3] or '')}f}", found[1]) + " ft"


def decimals(sigma: float) -> int:
    """Return how many decimals show two digits of a sigma, from none to three.

    Examples
    --------
    >>> decimals(12.3), decimals(1.23), decimals(0.996), decimals(0.0996), decimals(0.0)
    (0, 1, 1, 2, 3)
    """
    if not sigma >= 0.001 or not isfinite(sigma):
        return 3
    exponent = floor(log10(float(f"{sigma:.1e}")))  # rounded first: 0.996 is 1.0 to two digits
    return min(max(1 - exponent, 0), 3)


def fixed(value: float, places: int) -> str:
    """Return a number with that many decimals and no minus before a zero; "unknown" where it is not finite.

    Examples
    --------
    >>> fixed(-0.04, 1), fixed(142.26, 1), fixed(float("nan"), 1)
    ('0.0', '142.3', 'unknown')
    """
    if not isfinite(value):
        return "unknown"
    return f"{value:z.{places}f}"


def height_sigma_m(result: FlightResult) -> float | None:
    """Return the sigma of a flight's height, None where it is unsolved."""
    return None if result.covariance_m2 is None else sqrt(float(result.covariance_m2[2, 2]))


def height_words(result: FlightResult, manner: Manner = PLAIN) -> str:
    """Return a flight's height and its sigma, "-" where it is unsolved."""
    sigma_m = height_sigma_m(result)
    if result.position_m is None or sigma_m is None:
        return "-"
    height, sigma = length(float(result.position_m[2]), manner), length(sigma_m, manner)
    places = decimals(sigma)
    return f"{fixed(height, places)} ± {fixed(sigma, places)} {unit_word(manner)}"


def interval_words(result: FlightResult, manner: Manner = PLAIN) -> str:
    """Return the ends of the 95 % interval of a flight's height, "-" where it is unsolved."""
    sigma_m = height_sigma_m(result)
    if result.interval95_m is None or sigma_m is None:
        return "-"
    low, high = (fixed(length(end, manner), decimals(length(sigma_m, manner))) for end in result.interval95_m)
    return f"{low} to {high} {unit_word(manner)}"


def place_words(result: FlightResult, manner: Manner = PLAIN) -> str:
    """Return where a flight's apex was over the ground, "-" where it is unsolved."""
    if result.position_m is None or result.covariance_m2 is None:
        return "-"
    place_m = result.position_m[:2].tolist()
    sigma_m = sqrt(float(max(result.covariance_m2[0, 0], result.covariance_m2[1, 1])))  # the same digits both ways
    east, north = (length_words(abs(along_m), sigma_m, manner) for along_m in place_m)
    return f"{east} {'west' if place_m[0] < 0 else 'east'}, {north} {'south' if place_m[1] < 0 else 'north'} of the pad"


def closure_words(result: FlightResult) -> str:
    """Return a flight's closure, "-" where nothing can close."""
    return "-" if result.closure_percent is None else f"{fixed(result.closure_percent, 1)} %"


def degrees_words(angle_rad: float | None) -> str:
    """Return an angle in degrees, "-" where there is none."""
    return "-" if angle_rad is None else f"{fixed(angle_rad / DEG, 2)}°"


def residual_words(angle_rad: float | None) -> str:
    """Return a residual in degrees with its sign, "-" where there is none.

    Examples
    --------
    >>> residual_words(-0.02), residual_words(-1e-6), residual_words(None)
    ('-1.15°', '+0.00°', '-')
    """
    return "-" if angle_rad is None else f"{angle_rad / DEG:+z.2f}°"


def stations_used(result: FlightResult) -> tuple[str, ...]:
    """Return the stations of which at least one reading was used."""
    left_out = {(excluded.station, excluded.quantity) for excluded in result.excluded}
    return tuple(
        sighting.station
        for sighting in result.sightings
        if (sighting.station, "elevation") not in left_out
        or (sighting.azimuth_rad is not None and (sighting.station, "azimuth") not in left_out)
    )


def residual_of(result: FlightResult, station: str) -> Residual:
    """Return the residual of a station, an empty one where the flight has none."""
    return next((residual for residual in result.residuals if residual.station == station), Residual(station, None, None))


def time_words(utc_us: int, manner: Manner = PLAIN, places: int = 1) -> str:
    """Return a time with so many decimals of the second begun, in the hour of the place and with the name of that hour.

    Examples
    --------
    >>> time_words(1_777_630_830_540_000)
    '2026-05-01 10:20:30.5 UTC'
    >>> time_words(1_777_630_830_540_000, Manner(timezone="Europe/Berlin"), 3)
    '2026-05-01 12:20:30.540 CEST'
    """
    zone = UTC if manner.timezone is None else ZoneInfo(manner.timezone)
    moment = datetime.fromtimestamp(utc_us // SECOND_US, zone)
    return f"{moment:%Y-%m-%d %H:%M:%S}.{f'{utc_us % SECOND_US:06d}'[:places]} {moment:%Z}"


def seconds_words(value_s: float, sigma_s: float) -> str:
    """Return a time span and its sigma in seconds.

    Examples
    --------
    >>> seconds_words(-0.1834, 0.052)
    '-0.183 ± 0.052 s'
    """
    places = decimals(sigma_s)
    return f"{fixed(value_s, places)} ± {fixed(sigma_s, places)} s"
