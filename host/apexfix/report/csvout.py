"""Answers for spreadsheets: full numbers in metres, degrees and UTC, empty where a number is not known."""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from apexfix.fields import guarded
from apexfix.model import DayResult
from apexfix.report.jsonout import day_document, flight_document
from apexfix.report.rounding import stations_used

Row = Mapping[str, Any]

COLUMNS: Final = (
    "flight",
    "verdict",
    "height_m",
    "sigma_m",
    "interval95_low_m",
    "interval95_high_m",
    "east_m",
    "north_m",
    "closure_percent",
    "method",
    "stations",
    "reasons",
)
# The other tables of the report; each row of the first six begins with the number of its flight.
TABLES: Final[Mapping[str, Sequence[str]]] = {
    "readings": ("station", "time_utc", "azimuth_deg", "elevation_deg", "source", "note"),
    "residuals": ("station", "azimuth_deg", "elevation_deg", "sigma_azimuth_deg", "sigma_elevation_deg"),
    "methods": ("method", "height_m"),
    "budget": ("source", "sigma_m"),
    "excluded": ("station", "quantity", "reason"),
    "tracks": ("station", "offset_s", "sigma_offset_s", "rms_deg", "misfit"),
    "units": (
        "unit", "serial", "station", "imu", "firmware", "calibration", "calibrated_utc", "calibration_age_days",
        "calibrated_celsius_low", "calibrated_celsius_high", "sigma_elevation_deg", "sigma_azimuth_deg", "sigma_elevation_zero_deg",
        "celsius_low", "celsius_high", "supply_v_low", "supply_v_high", "free_bytes", "lost_samples", "concerns",
    ),
    "clocks": ("unit", "serial", "boot", "log", "exchanges", "zero_utc", "sigma_zero_s", "drift_ppm", "sigma_drift_ppm"),
}  # fmt: skip
_PAIRS: Final = ("calibrated_celsius", "celsius", "supply_v")


def day_csv(day: DayResult) -> str:
    """Return the answers of a day as comma-separated text; a text that begins like a formula gets a quote before it."""
    rows = []
    for result in day.flights:
        answer = flight_document(result)
        low_m, high_m = answer["interval95_m"] or (None, None)
        lists = {"stations": " ".join(stations_used(result)), "reasons": "; ".join(result.reasons)}
        rows.append(answer | lists | {"interval95_low_m": low_m, "interval95_high_m": high_m})
    return _written(COLUMNS, rows)


def tables_csv(day: DayResult) -> dict[str, str]:
    """Return every other table of a day's report as comma-separated text, by its name in TABLES."""
    document = day_document(day)
    rows = {name: _of_flights(document["flights"], name) for name in ("readings", "residuals", "excluded", "tracks")}
    rows["methods"] = _of_mapping(document["flights"], "methods", ("method", "height_m"))
    rows["budget"] = _of_mapping(document["flights"], "budget_m", ("source", "sigma_m"))
    by_flight = {name: _written(("flight", *TABLES[name]), each) for name, each in rows.items()}
    units = document["units"]
    clocks = ({"unit": unit["unit"], "serial": unit["serial"], **clock} for unit in units for clock in unit["clocks"])
    by_unit = {"units": map(_unit, units), "clocks": clocks}
    return by_flight | {name: _written(TABLES[name], each) for name, each in by_unit.items()}


def _of_flights(flights: Iterable[Row], name: str) -> Iterator[Row]:
    return ({"flight": flight["flight"], **row} for flight in flights for row in flight[name])


def _of_mapping(flights: Iterable[Row], name: str, columns: tuple[str, str]) -> Iterator[Row]:
    key, value = columns
    return ({"flight": flight["flight"], key: k, value: v} for flight in flights for k, v in flight[name].items())


def _unit(unit: Row) -> Row:
    ends = {name: unit[name] or (None, None) for name in _PAIRS}
    pairs = {f"{name}_{end}": ends[name][n] for name in _PAIRS for n, end in enumerate(("low", "high"))}
    return {**unit, **pairs, "concerns": "; ".join(unit["concerns"])}


def _written(columns: Sequence[str], rows: Iterable[Row]) -> str:
    out = io.StringIO()
    table = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
    table.writeheader()
    table.writerows(_safe(row) for row in rows)
    return out.getvalue()


def _safe(row: Row) -> Row:
    return {name: guarded(value) if isinstance(value, str) else value for name, value in row.items()}
