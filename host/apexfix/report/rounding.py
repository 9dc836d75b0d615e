"""Figures as a person reads them: no more digits than the uncertainty leaves."""

from datetime import UTC, datetime
from math import floor, isfinite, log10, sqrt

from apexfix.model import FlightResult, Residual
from apexfix.units import DEG, SECOND_US


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
    shown = f"{value:.{places}f}"
    return shown.removeprefix("-") if float(shown) == 0 else shown


def height_sigma_m(result: FlightResult) -> float | None:
    """Return the sigma of a flight's height, None where it is unsolved."""
    return None if result.covariance_m2 is None else sqrt(float(result.covariance_m2[2, 2]))


def height_words(result: FlightResult) -> str:
    """Return a flight's height and its sigma, "-" where it is unsolved."""
    sigma_m = height_sigma_m(result)
    if result.position_m is None or sigma_m is None:
        return "-"
    places = decimals(sigma_m)
    return f"{fixed(float(result.position_m[2]), places)} ± {fixed(sigma_m, places)} m"


def interval_words(result: FlightResult) -> str:
    """Return the ends of the 95 % interval of a flight's height, "-" where it is unsolved."""
    sigma_m = height_sigma_m(result)
    if result.interval95_m is None or sigma_m is None:
        return "-"
    low, high = (fixed(end, decimals(sigma_m)) for end in result.interval95_m)
    return f"{low} to {high} m"


def place_words(result: FlightResult) -> str:
    """Return where a flight's apex was over the ground, "-" where it is unsolved."""
    if result.position_m is None or result.covariance_m2 is None:
        return "-"
    east, north = (
        fixed(float(result.position_m[axis]), decimals(sqrt(float(result.covariance_m2[axis, axis])))) for axis in range(2)
    )
    return f"{east} m east, {north} m north of the pad"


def closure_words(result: FlightResult) -> str:
    """Return a flight's closure, "-" where nothing can close."""
    return "-" if result.closure_percent is None else f"{fixed(result.closure_percent, 1)} %"


def degrees_words(angle_rad: float | None) -> str:
    """Return an angle in degrees, "-" where there is none."""
    return "-" if angle_rad is None else f"{fixed(angle_rad / DEG, 2)}°"


def residual_words(angle_rad: float | None) -> str:
    """Return a residual in degrees with its sign, "-" where there is none."""
    return "-" if angle_rad is None else f"{angle_rad / DEG:+.2f}°"


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


def time_words(utc_us: int) -> str:
    """Return a time to the tenth of a second.

    Examples
    --------
    >>> time_words(1_777_630_830_540_000)
    '2026-05-01 10:20:30.5 UTC'
    """
    moment = datetime.fromtimestamp(utc_us // SECOND_US, UTC)
    return f"{moment:%Y-%m-%d %H:%M:%S}.{utc_us % SECOND_US // 100_000} UTC"
