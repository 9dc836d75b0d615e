"""sightings.csv: hand readings in, and an export of every reading out."""

import csv
import io
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from apexfix.errors import FileError
from apexfix.fields import Check, Unfit, guarded, label, number, shown, suggestion, text, unguarded, whole
from apexfix.model import Sighting, Site
from apexfix.text_file import append_text, read_text, write_text
from apexfix.units import DEG

LARGEST_SIGHTINGS_BYTES: Final = 64 << 20
MOST_PROBLEMS: Final = 20  # that one message lists

Parser = Callable[[str], Any]  # the text of a cell, without spaces around it -> its value; Unfit where it has none
_NEEDED: Final = ("flight", "station", "elevation_deg")
_PLACED: Final = {  # columns that a file may lack -> what of a reading stands there
    "time_utc": "utc_us",
    "azimuth_deg": "azimuth_rad",
    "sigma_azimuth_deg": "sigma_azimuth_rad",
    "sigma_elevation_deg": "sigma_elevation_rad",
}
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_TIME: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class _Problem:
    """One thing wrong with the file. `field` is None where it concerns the whole line."""

    line: int
    field: str | None
    message: str


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
    lines = _lines(read_text(path, LARGEST_SIGHTINGS_BYTES))
    line, header = next(lines, (1, ""))
    parsers = _parsers(site)
    columns, problems = _header(line, header, tuple(parsers))
    sightings: list[Sighting] = []
    for line, row in () if problems else lines:
        values, wrong = _values(line, row, columns, parsers)
        sightings += [] if wrong else [_sighting(values)]
        problems += wrong
        if len(problems) >= MOST_PROBLEMS:
            break
    if problems:
        raise _error(path, problems[:MOST_PROBLEMS])
    return tuple(sightings)


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
    FileError
        The file has errors in it, lacks a column that a reading needs, or cannot be written.
    KeyError
        A reading is from a station that the site does not have.
    """
    columns, begin = _columns_and_begin(path, site)
    for name in _PLACED:
        if name not in columns and any(getattr(sighting, _PLACED[name]) is not None for sighting in sightings):
            message = "no such column seen, but a reading needs it; add it to the header and a comma to each line"
            raise FileError(message, path=path, field=name)
    append_text(path, begin + _text(sightings, site, columns))


def _columns_and_begin(path: Path, site: Site) -> tuple[tuple[str, ...], str]:
    """Return the columns of a file, and what has to be written before another line."""
    if not path.exists():
        columns = tuple(_parsers(site))
        return columns, ",".join(columns) + "\n"
    read_sightings(path, site)
    content = read_text(path, LARGEST_SIGHTINGS_BYTES)
    _, header = next(_lines(content))
    return tuple(_cells(header)), "" if content.endswith(("\n", "\r")) else "\n"


def _text(sightings: tuple[Sighting, ...], site: Site, columns: tuple[str, ...]) -> str:
    out = io.StringIO()
    rows = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
    for sighting in sightings:
        rows.writerow(dict(zip(_parsers(site), _row(sighting, site.station(sighting.station).id), strict=True)))
    return out.getvalue()


# --- cells ----------------------------------------------------------------------------------------------------------


def _parsers(site: Site) -> Mapping[str, Parser]:
    """Return the columns of the format in their order, each with what makes a value of its cell."""
    sigma = _optional(_number(number(0, 90, above=True)))
    return {
        "flight": _flight,
        "station": _station(site),
        "time_utc": _optional(_time),
        "azimuth_deg": _optional(_number(number(0, 360))),
        "elevation_deg": _number(number(-90, 180)),
        "sigma_azimuth_deg": sigma,
        "sigma_elevation_deg": sigma,
        "note": _note,
    }


def _optional(parser: Parser) -> Parser:
    return lambda cell: parser(cell) if cell else None


def _number(check: Check) -> Parser:
    def parse(cell: str) -> object:
        if not _NUMBER.fullmatch(cell):
            hint = " (with a decimal point, not a comma)" if "," in cell else ""
            raise Unfit(f"{_seen(cell)}, a number like 45.5 expected{hint}")
        return check(float(cell))

    return parse


def _flight(cell: str) -> object:
    if not re.fullmatch(r"\d{1,9}", cell, re.ASCII):
        raise Unfit(f"{_seen(cell)}, a whole number from 1 to 9999 expected")
    return whole(1, 9999)(int(cell))


def _station(site: Site) -> Parser:
    known = {station.id for station in site.stations}

    def parse(cell: str) -> str:
        name = unguarded(cell)
        if name not in known:
            raise Unfit(f"{_seen(name)}, a station of site.toml expected; {suggestion(name, sorted(known))}")
        return name

    return parse


def _time(cell: str) -> int:
    """Return the microseconds since 1970 of an ISO 8601 time in UTC."""
    try:
        moment = datetime.fromisoformat(cell) if _TIME.fullmatch(cell) else None
    except ValueError:
        moment = None
    if moment is None or moment < _EPOCH:
        raise Unfit(f"{_seen(cell)}, a time in UTC like 2026-05-01T10:20:30.5Z expected")
    return (moment - _EPOCH) // timedelta(microseconds=1)


def _note(cell: str) -> object:
    return text(1000)(unguarded(cell)) if cell else ""


def _seen(cell: str) -> str:
    return f"{shown(cell).removesuffix(' (text)')} seen" if cell else "nothing seen"


# --- lines ----------------------------------------------------------------------------------------------------------


def _lines(content: str) -> Iterator[tuple[int, str]]:
    """Yield the number and the text of every line that says something."""
    for line, row in enumerate(re.split(r"\r\n|\n|\r", content), 1):
        if row.strip(" \t,") and not row.lstrip().startswith("#"):
            yield line, row


def _cells(row: str) -> list[str]:
    """Return the cells of one line. A cell never goes on in the next line, so that the numbers of the lines stay right."""
    return [cell.strip() for cell in next(csv.reader([row], skipinitialspace=True, strict=True), [])]


def _header(line: int, row: str, known: tuple[str, ...]) -> tuple[list[str], list[_Problem]]:
    """Return the names of the columns, and what is wrong with them."""
    try:
        columns = _cells(row)
    except csv.Error as error:
        return [], [_unquoted(line, row, error)]
    return columns, list(_header_problems(line, columns, known))


def _unquoted(line: int, row: str, error: csv.Error) -> _Problem:
    return _Problem(line, None, f"{shown(row)} seen, quotes in pairs on one line expected ({error})")


def _header_problems(line: int, columns: list[str], known: tuple[str, ...]) -> Iterator[_Problem]:
    expected = f"expected: {','.join(known)}"
    for separator, name in ((";", "semicolons"), ("\t", "tabs")):
        if len(columns) == 1 and separator in columns[0]:
            hint = "save it again with commas between the values and decimal points in the numbers"
            yield _Problem(line, None, f"{name} between the values seen, commas {expected}; {hint}")
            return
    if not set(columns) & set(known):
        yield _Problem(line, None, f"{shown(','.join(columns))} seen, a header line {expected}")
        return
    for column in columns:
        if column not in known:
            yield _Problem(line, label(column), f"there is no such column; {suggestion(column, known)}")
    for column in known:
        if columns.count(column) > 1:
            yield _Problem(line, column, f"{columns.count(column)} columns of this name seen, one expected")
    for column in _NEEDED:
        if column not in columns:
            yield _Problem(line, column, "no such column seen, but it is needed")


def _values(line: int, row: str, columns: list[str], parsers: Mapping[str, Parser]) -> tuple[dict[str, Any], list[_Problem]]:
    """Return what the cells of a line say, and what is wrong with them."""
    try:
        cells = _cells(row)
    except csv.Error as error:
        return {}, [_unquoted(line, row, error)]
    if len(cells) != len(columns):
        hint = "; a number needs a decimal point, a text with commas needs quotes" if len(cells) > len(columns) else ""
        return {}, [_Problem(line, None, f"{len(cells)} values seen, {len(columns)} as in the header expected{hint}")]
    values, wrong = {}, []
    for column, cell in zip(columns, cells, strict=True):
        try:
            values[column] = parsers[column](cell)
        except Unfit as unfit:
            wrong.append(_Problem(line, column, str(unfit)))
    return values, wrong


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
    time = "" if sighting.utc_us is None else (_EPOCH + timedelta(microseconds=sighting.utc_us)).isoformat()
    return (
        str(sighting.flight),
        guarded(station),
        time.replace("+00:00", "Z"),
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


def _error(path: Path, problems: list[_Problem]) -> FileError:
    first, *more = problems
    listed = "".join(f"\n{FileError(p.message, path=path, line=p.line, field=p.field)}" for p in more)
    return FileError(first.message + listed, path=path, line=first.line, field=first.field)
