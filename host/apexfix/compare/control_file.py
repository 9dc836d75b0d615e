"""The control file: what an on-board barometric altimeter told, as apogees or as whole logs, in plain comma-separated columns."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any, Final

import numpy as np

from apexfix.air import ZERO_CELSIUS_K
from apexfix.csv_table import Parser, Row, decimal, flight_number, optional, read_table, utc_time
from apexfix.errors import FileError
from apexfix.fields import number, text, unguarded
from apexfix.model import Vector
from apexfix.units import SECOND_US

LARGEST_CONTROL_BYTES: Final = 64 << 20
PERCENT: Final = 0.01
HECTOPASCAL: Final = 100.0
_OF_APOGEES: Final = ("apogee_m", "sigma_m", "note")
_OF_LOGS: Final = ("time_s", "pressure_pa", "altitude_m")
_MEASURED: Final = ("pressure_pa", "pressure_hpa", "altitude_m")
_PRESSURE_PA: Final = number(10_000, 110_000)
_NO_LOG: Final = "time_s or time_utc, and pressure_pa, pressure_hpa or altitude_m"


@dataclass(frozen=True, slots=True)
class Apogee:
    """The height that an altimeter announced for one flight."""

    line: int
    flight: int | None
    utc_us: int | None
    apogee_m: float  # as indicated
    sigma_m: float | None  # of the instrument itself, if somebody stated it
    temperature_k: float | None  # at the pad
    humidity: float | None  # 0 to 1, at the pad
    pressure_pa: float | None  # at the pad
    note: str


@dataclass(frozen=True, slots=True)
class Log:
    """One log: what the altimeter sampled. Rows without a measurement are left out and counted."""

    line: int  # of its first row
    flight: int | None
    start_utc_us: int | None  # of time 0
    time_s: Vector  # (N,) never falls
    pressure_pa: Vector | None  # (N,) None where the log holds heights
    altitude_m: Vector | None  # (N,) as indicated; None where the log holds pressures
    temperature_k: Vector  # (N,) of the sensor, NaN where it is missing
    humidity: float | None  # mean of what was logged, 0 to 1
    empty_rows: int


@dataclass(frozen=True, slots=True)
class Control:
    """A control file: one of the two kinds."""

    apogees: tuple[Apogee, ...]
    logs: tuple[Log, ...]
    remarks: tuple[str, ...]


def read_control(path: Path) -> Control:
    """Return what a control file holds.

    Raises
    ------
    FileError
        The file cannot be read, a field is wrong, columns are missing or of both kinds, or the time runs backwards.
    """
    rows = read_table(path, LARGEST_CONTROL_BYTES, _PARSERS, ())
    if not rows:
        raise FileError("no line of values seen, one or more expected below the header", path=path, line=1)
    columns = set(rows[0].values)
    if "apogee_m" in columns:
        _refuse(path, columns.intersection(_OF_LOGS), "apogee_m")
        return Control(tuple(_apogee(path, row) for row in rows), (), ())
    measured = next((column for column in _MEASURED if column in columns), None)
    if measured is None or not columns & {"time_s", "time_utc"}:
        raise FileError(f"{','.join(rows[0].values)} seen, apogee_m expected, or for logs {_NO_LOG}", path=path, line=1)
    _refuse(path, columns.intersection(_OF_APOGEES), measured)
    unused = [column for column in _MEASURED if column in columns and column != measured]
    remarks = tuple(f"{path.name}: {column} is passed over, {measured} is used" for column in unused)
    return Control((), tuple(_logs(path, rows, measured)), remarks)


def _refuse(path: Path, strangers: set[str], beside: str) -> None:
    if strangers:
        message = f"seen beside {beside}; apogees, a row for each flight, or logs expected, not both in one file"
        raise FileError(message, path=path, line=1, field=min(strangers))


_PARSERS: Final[Mapping[str, Parser]] = {
    "flight": optional(flight_number),
    "time_utc": optional(utc_time),
    "time_s": decimal(number(-1e9, 1e9)),
    "apogee_m": optional(decimal(number(-100, 11_000))),
    "sigma_m": optional(decimal(number(0, 1000, above=True))),
    "pressure_pa": optional(decimal(_PRESSURE_PA)),
    "pressure_hpa": optional(decimal(number(100, 1100))),
    "altitude_m": optional(decimal(number(-1000, 11_000))),
    "temperature_celsius": optional(decimal(number(-60, 85))),
    "humidity_percent": optional(decimal(number(0, 100))),
    "note": lambda cell: text(1000)(unguarded(cell)) if cell else "",
}


def _scaled(value: float | None, factor: float, shift: float = 0.0) -> float | None:
    return None if value is None else value * factor + shift


# --- apogees --------------------------------------------------------------------------------------------------------


def _apogee(path: Path, row: Row) -> Apogee:
    value = row.values.get
    if value("apogee_m") is None:
        raise FileError("nothing seen, the height of the flight in metres expected; take the line out if there is none",
                        path=path, line=row.line, field="apogee_m")  # fmt: skip
    return Apogee(
        line=row.line,
        flight=value("flight"),
        utc_us=value("time_utc"),
        apogee_m=row.values["apogee_m"],
        sigma_m=value("sigma_m"),
        temperature_k=_scaled(value("temperature_celsius"), 1.0, ZERO_CELSIUS_K),
        humidity=_scaled(value("humidity_percent"), PERCENT),
        pressure_pa=_scaled(value("pressure_hpa"), HECTOPASCAL),
        note=value("note", ""),
    )


# --- logs -----------------------------------------------------------------------------------------------------------


def _logs(path: Path, rows: Sequence[Row], measured: str) -> list[Log]:
    parts = [list(part) for _, part in groupby(rows, key=lambda row: row.values.get("flight"))]
    numbers = [part[0].values.get("flight") for part in parts]
    for part, flight in zip(parts, numbers, strict=True):
        if numbers.count(flight) > 1 and part is not parts[numbers.index(flight)]:
            raise FileError(f"{flight or 'an empty cell'} seen again after another flight, all rows of a flight together expected",
                            path=path, line=part[0].line, field="flight")  # fmt: skip
    return [_log(path, part, measured) for part in parts]


def _log(path: Path, rows: Sequence[Row], measured: str) -> Log:
    start_utc_us, time_s = _times(path, rows)
    values = _column(rows, measured)
    kept = np.isfinite(values)
    if not kept.any():
        raise FileError("no value seen in the whole log, one in each row expected", path=path, line=rows[0].line, field=measured)
    humidity = _column(rows, "humidity_percent")
    factor = HECTOPASCAL if measured == "pressure_hpa" else 1.0
    return Log(
        line=rows[0].line,
        flight=rows[0].values.get("flight"),
        start_utc_us=start_utc_us,
        time_s=time_s[kept],
        pressure_pa=None if measured == "altitude_m" else values[kept] * factor,
        altitude_m=values[kept] if measured == "altitude_m" else None,
        temperature_k=_column(rows, "temperature_celsius")[kept] + ZERO_CELSIUS_K,
        humidity=float(np.nanmean(humidity)) * PERCENT if np.isfinite(humidity).any() else None,
        empty_rows=int((~kept).sum()),
    )


def _column(rows: Sequence[Row], name: str) -> Vector:
    found: list[Any] = [row.values.get(name) for row in rows]
    return np.array([np.nan if value is None else value for value in found], dtype=float)


def _times(path: Path, rows: Sequence[Row]) -> tuple[int | None, Vector]:
    """Return the UTC of time 0, where the log tells it, and the times in s."""
    stamped = [(row.values["time_utc"], n) for n, row in enumerate(rows) if row.values.get("time_utc") is not None]
    if "time_s" in rows[0].values:
        time_s = _column(rows, "time_s")
        start_utc_us = stamped[0][0] - round(time_s[stamped[0][1]] * SECOND_US) if stamped else None
        field = "time_s"
    else:
        field = "time_utc"
        for row in rows:
            if row.values[field] is None:
                raise FileError("nothing seen, a time expected in every row of a log", path=path, line=row.line, field=field)
        start_utc_us = rows[0].values[field]
        time_s = np.array([(row.values[field] - start_utc_us) / SECOND_US for row in rows])
    backwards = np.flatnonzero(np.diff(time_s) < 0)
    if backwards.size:
        row = rows[int(backwards[0]) + 1]
        raise FileError("the time runs backwards here, rising times expected; give several logs in one file a flight column",
                        path=path, line=row.line, field=field)  # fmt: skip
    return start_utc_us, time_s
