"""flights.toml: which rocket made each flight of a day, what was different about it, and how long it climbed."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from apexfix.fields import Unfit, anything, number, shown, text, whole
from apexfix.toml_tables import Table, parsed, table, tables
from apexfix.units import DEG

FLIGHTS_NAME: Final = "flights.toml"
LARGEST_FLIGHTS_BYTES: Final = 1 << 20
# Two thumbs on a stop-watch; common practice, no source.
SIGMA_TIME_S: Final = 0.2

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
# field of the file -> name in Rocket.quantities, and the package's own units in one of the field's
_FIGURES: Final[Mapping[str, tuple[str, float]]] = {
    "dry_mass_kg": ("dry_mass_kg", 1.0),
    "water_l": ("water_m3", 1e-3),
    "pressure_kpa": ("pressure_pa", 1e3),
    "wind_m_s": ("wind_m_s", 1.0),
    "tilt_deg": ("tilt_rad", DEG),
}


@dataclass(frozen=True, slots=True)
class Conditions:
    """What is known of one flight beside its sightings."""

    figures: Mapping[str, float] = field(default_factory=dict)  # name in Rocket.quantities -> figure instead of the rocket's
    time_to_apex_s: float | None = None  # from lift-off
    sigma_time_s: float = SIGMA_TIME_S
    lift_off_us: int | None = None  # UTC, microseconds since 1970
    rocket: str = ""  # its name; empty where nobody says


def read_flights(path: Path) -> dict[int, Conditions]:
    """Return what a flights.toml says, by the number of the flight.

    Raises
    ------
    FileError
        The file cannot be read, or a field is unknown, missing, of the wrong kind or out of range, or a flight stands twice.
    """
    document = parsed(path, LARGEST_FLIGHTS_BYTES)
    table(document, (), {"format": whole(1, 1), "flight": anything}, required=("format",))
    checks = {
        "number": whole(1, 9999),
        "rocket": text(200),
        "dry_mass_kg": number(0, 1000, above=True),
        "water_l": number(0, 1000, above=True),
        "pressure_kpa": number(0, 10_000, above=True),
        "wind_m_s": number(0, 40),
        "tilt_deg": number(-60, 60),
        "time_to_apex_s": number(0, 600, above=True),
        "sigma_time_to_apex_s": number(0, 60, above=True),
        "lift_off_utc": _moment,
    }
    found: dict[int, Conditions] = {}
    for row in tables(document, "flight", checks, required=("number",)):
        if row.values["number"] in found:
            raise row.error(f"flight {row.values['number']} seen twice, one [[flight]] for each expected", "number")
        found[row.values["number"]] = _conditions(row)
    return found


def _conditions(row: Table) -> Conditions:
    values = row.values
    if "time_to_apex_s" in values and "lift_off_utc" in values:
        raise row.error("seen beside lift_off_utc, one of the two expected", "time_to_apex_s")
    figures = {name: values[column] * unit for column, (name, unit) in _FIGURES.items() if column in values}
    sigma_s = values.get("sigma_time_to_apex_s", SIGMA_TIME_S)
    return Conditions(figures, values.get("time_to_apex_s"), sigma_s, values.get("lift_off_utc"), values.get("rocket", ""))


def _moment(value: object) -> int:
    """Return the microseconds since 1970 of a TOML date and time with its offset from UTC."""
    if not isinstance(value, datetime) or value.tzinfo is None or value < _EPOCH:
        raise Unfit(f"{shown(value)} seen, a time like 2026-05-01T10:20:30.5Z without quotes expected")
    return (value - _EPOCH) // timedelta(microseconds=1)


def day_conditions(folder: Path, seconds: Mapping[int, float]) -> dict[int, Conditions]:
    """Return what the flights.toml of a day folder says, if there is one, with times to the apex that were given beside it.

    Raises
    ------
    FileError
        As `read_flights`.
    """
    path = folder / FLIGHTS_NAME
    found = read_flights(path) if path.exists() else {}
    for flight, time_s in seconds.items():
        found[flight] = replace(found.get(flight, Conditions()), time_to_apex_s=time_s, lift_off_us=None)
    return found
