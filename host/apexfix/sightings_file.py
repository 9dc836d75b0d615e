"""sightings.csv: hand readings in, and an export of every reading out."""

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np

from apexfix.csv_table import (
    Parser,
    cell_seen,
    cells_of,
    decimal,
    flight_number,
    optional,
    read_table,
    table_lines,
    utc_text,
    utc_time,
)
from apexfix.errors import FileError
from apexfix.fields import Unfit, guarded, number, suggestion, text, unguarded
from apexfix.model import Sighting, Site
from apexfix.text_file import append_text, read_text, write_text
from apexfix.units import DEG

LARGEST_SIGHTINGS_BYTES: Final = 64 << 20
_NEEDED: Final = ("flight", "station", "elevation_deg")
_PLACED: Final = {  # columns that a file may lack -> what of a reading stands there
    "time_utc": "utc_us",
    "azimuth_deg": "azimuth_rad",
    "sigma_azimuth_deg": "sigma_azimuth_rad",
    "sigma_elevation_deg": "sigma_elevation_rad",
}


def read_sightings(path: Path, site: Site) -> tuple[Sighting, ...]:
    """Return the readings of a sightings.csv, in the order of the file.

    Notes
    -----
    Columns may stand in any order, those that may be empty may be missing, and lines that are empty or begin with ``#`` are passed
    over. Azimuths are true. A quote before ``= + - @`` at the start of a text is taken off: `write_sightings` puts it there.

    Raises
    ------
    FileError
        The file cannot be read, or a field is wrong: the message lists up to twenty such fields, each with its line.
    """
    rows = read_table(path, LARGEST_SIGHTINGS_BYTES, _parsers(site), _NEEDED)
    return tuple(_sighting(row.values) for row in rows)


def write_sightings(path: Path, sightings: tuple[Sighting, ...], site: Site) -> None:
    """Write readings as a sightings.csv that `read_sightings` takes back, to 1e-9 degrees and a microsecond.

    A note loses its line breaks; where a reading came from and the sigma of its time have no column.

    Raises
    ------
    FileError
        The file cannot be written.
    KeyError
        A reading is from a station that the site does not have: the file could not be read back.
    """
    columns = tuple(_parsers(site))
    write_text(path, ",".join(columns) + "\n" + _text(sightings, site, columns))


def append_sightings(path: Path, sightings: tuple[Sighting, ...], site: Site) -> None:
    """Add readings at the end of a sightings.csv, in the order of its own columns, and be sure that they are on the disk.

    What stands in the file is left byte for byte; a file that is missing is made.

    Raises
    ------
    FileError, KeyError
        As of :func:`sightings_text`; or the file cannot be written.
    """
    append_text(path, sightings_text(path, sightings, site))


def sightings_text(path: Path, sightings: tuple[Sighting, ...], site: Site) -> str:
    """Return what has to be added to a sightings.csv, or to none yet, so that it holds readings besides. Nothing is written.

    Raises
    ------
    FileError
        The file has errors in it, or lacks a column that a reading needs.
    KeyError
        A reading is from a station that the site does not have.
    """
    columns, begin = _columns_and_begin(path, site)
    for name in _PLACED:
        if name not in columns and any(getattr(sighting, _PLACED[name]) is not None for sighting in sightings):
            message = "no such column seen, but a reading needs it; add it to the header and a comma to each line"
            raise FileError(message, path=path, field=name)
    return begin + _text(sightings, site, columns)


def _columns_and_begin(path: Path, site: Site) -> tuple[tuple[str, ...], str]:
    """Return the columns of a file, and what has to be written before another line."""
    if not path.exists():
        columns = tuple(_parsers(site))
        return columns, ",".join(columns) + "\n"
    read_sightings(path, site)
    content = read_text(path, LARGEST_SIGHTINGS_BYTES)
    _, header = next(table_lines(content))
    return tuple(cells_of(header)), "" if content.endswith(("\n", "\r")) else "\n"


def _text(sightings: tuple[Sighting, ...], site: Site, columns: tuple[str, ...]) -> str:
    out = io.StringIO()
    rows = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
    for sighting in sightings:
        rows.writerow(dict(zip(_parsers(site), _row(sighting, site.station(sighting.station).id), strict=True)))
    return out.getvalue()


# --- cells ----------------------------------------------------------------------------------------------------------


def _parsers(site: Site) -> Mapping[str, Parser]:
    """Return the columns of the format in their order, each with what makes a value of its cell."""
    sigma = optional(decimal(number(0, 90, above=True)))
    return {
        "flight": flight_number,
        "station": _station(site),
        "time_utc": optional(utc_time),
        "azimuth_deg": optional(decimal(number(0, 360))),
        "elevation_deg": decimal(number(-90, 180)),
        "sigma_azimuth_deg": sigma,
        "sigma_elevation_deg": sigma,
        "note": _note,
    }


def _station(site: Site) -> Parser:
    known = {station.id for station in site.stations}

    def parse(cell: str) -> str:
        name = unguarded(cell)
        if name not in known:
            raise Unfit(f"{cell_seen(name)}, a station of site.toml expected; {suggestion(name, sorted(known))}")
        return name

    return parse


def _note(cell: str) -> object:
    return text(1000)(unguarded(cell)) if cell else ""


def _sighting(values: Mapping[str, Any]) -> Sighting:
    azimuth_rad = _radians(values.get("azimuth_deg"))
    return Sighting(
        flight=values["flight"],
        station=values["station"],
        utc_us=values.get("time_utc"),
        azimuth_rad=None if azimuth_rad is None else float(np.mod(azimuth_rad, 2 * np.pi)),
        elevation_rad=values["elevation_deg"] * DEG,
        sigma_azimuth_rad=_radians(values.get("sigma_azimuth_deg")),
        sigma_elevation_rad=_radians(values.get("sigma_elevation_deg")),
        note=values.get("note", ""),
    )


def _row(sighting: Sighting, station: str) -> tuple[str, ...]:
    time = "" if sighting.utc_us is None else utc_text(sighting.utc_us)
    return (
        str(sighting.flight),
        guarded(station),
        time,
        _degrees(sighting.azimuth_rad),
        _degrees(sighting.elevation_rad),
        _degrees(sighting.sigma_azimuth_rad),
        _degrees(sighting.sigma_elevation_rad),
        guarded(" ".join(sighting.note.split())),
    )


def _radians(angle_deg: float | None) -> float | None:
    return None if angle_deg is None else angle_deg * DEG


def _degrees(angle_rad: float | None) -> str:
    return "" if angle_rad is None else f"{angle_rad / DEG:.9f}".rstrip("0").rstrip(".")
