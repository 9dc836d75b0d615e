"""Comma-separated tables that a person or a spreadsheet wrote: named columns in any order, and errors with their line and field."""

import csv
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from apexfix.errors import FileError
from apexfix.fields import Check, Unfit, label, shown, suggestion, whole
from apexfix.text_file import read_text

MOST_PROBLEMS: Final = 20  # that one message lists
EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

Parser = Callable[[str], Any]  # the text of a cell, without spaces around it -> its value; Unfit where it has none
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_TIME: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class Row:
    """The values of one line; a column that the file lacks is missing here too."""

    line: int
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class _Problem:
    """One thing wrong with the file. `field` is None where it concerns the whole line."""

    line: int
    field: str | None
    message: str


def read_table(path: Path, largest_bytes: int, parsers: Mapping[str, Parser], needed: Sequence[str]) -> tuple[Row, ...]:
    """Return the rows of a table, in the order of the file.

    Columns may stand in any order, and lines that are empty or begin with ``#`` are passed over.

    Parameters
    ----------
    parsers
        Name of each column that the file may have -> what makes a value of its cell.
    needed
        The columns that the file must have.

    Raises
    ------
    FileError
        The file cannot be read, or a field is wrong: the message lists up to twenty such fields, each with its line.
    """
    lines = table_lines(read_text(path, largest_bytes))
    line, header = next(lines, (1, ""))
    columns, problems = _header(line, header, tuple(parsers), needed)
    rows: list[Row] = []
    for line, text in () if problems else lines:
        values, wrong = _values(line, text, columns, parsers)
        rows += [] if wrong else [Row(line, values)]
        problems += wrong
        if len(problems) >= MOST_PROBLEMS:
            break
    if problems:
        raise _error(path, problems[:MOST_PROBLEMS])
    return tuple(rows)


# --- cells ----------------------------------------------------------------------------------------------------------


def optional(parser: Parser) -> Parser:
    """Return a parser that makes None of an empty cell."""
    return lambda cell: parser(cell) if cell else None


def decimal(check: Check) -> Parser:
    """Return a parser for a number with a decimal point that passes the check."""

    def parse(cell: str) -> object:
        if not _NUMBER.fullmatch(cell):
            hint = " (with a decimal point, not a comma)" if "," in cell else ""
            raise Unfit(f"{cell_seen(cell)}, a number like 45.5 expected{hint}")
        return check(float(cell))

    return parse


def flight_number(cell: str) -> object:
    """Return the number of a flight."""
    if not re.fullmatch(r"\d{1,9}", cell, re.ASCII):
        raise Unfit(f"{cell_seen(cell)}, a whole number from 1 to 9999 expected")
    return whole(1, 9999)(int(cell))


def utc_time(cell: str) -> int:
    """Return the microseconds since 1970 of an ISO 8601 time in UTC."""
    try:
        moment = datetime.fromisoformat(cell) if _TIME.fullmatch(cell) else None
    except ValueError:
        moment = None
    if moment is None or moment < EPOCH:
        raise Unfit(f"{cell_seen(cell)}, a time in UTC like 2026-05-01T10:20:30.5Z expected")
    return (moment - EPOCH) // timedelta(microseconds=1)


def utc_text(utc_us: int) -> str:
    """Return the time that `utc_time` reads.

    Examples
    --------
    >>> utc_text(1_777_630_830_500_000)
    '2026-05-01T10:20:30.500000Z'
    """
    return (EPOCH + timedelta(microseconds=utc_us)).isoformat().replace("+00:00", "Z")


def cell_seen(cell: str) -> str:
    """Return the beginning of a message about a cell."""
    return f"{shown(cell).removesuffix(' (text)')} seen" if cell else "nothing seen"


# --- lines ----------------------------------------------------------------------------------------------------------


def table_lines(content: str) -> Iterator[tuple[int, str]]:
    """Yield the number and the text of every line that says something."""
    for line, row in enumerate(re.split(r"\r\n|\n|\r", content), 1):
        if row.strip(" \t,") and not row.lstrip().startswith("#"):
            yield line, row


def cells_of(row: str) -> list[str]:
    """Return the cells of one line. A cell never goes on in the next line, so that the numbers of the lines stay right.

    csv.Error where quotes are not in pairs.
    """
    return [cell.strip() for cell in next(csv.reader([row], skipinitialspace=True, strict=True), [])]


def _header(line: int, row: str, known: Sequence[str], needed: Sequence[str]) -> tuple[list[str], list[_Problem]]:
    """Return the names of the columns, and what is wrong with them."""
    try:
        columns = cells_of(row)
    except csv.Error as error:
        return [], [_unquoted(line, row, error)]
    return columns, list(_header_problems(line, columns, known, needed))


def _unquoted(line: int, row: str, error: csv.Error) -> _Problem:
    return _Problem(line, None, f"{shown(row)} seen, quotes in pairs on one line expected ({error})")


def _header_problems(line: int, columns: list[str], known: Sequence[str], needed: Sequence[str]) -> Iterator[_Problem]:
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
    for column in needed:
        if column not in columns:
            yield _Problem(line, column, "no such column seen, but it is needed")


def _values(line: int, row: str, columns: list[str], parsers: Mapping[str, Parser]) -> tuple[dict[str, Any], list[_Problem]]:
    """Return what the cells of a line say, and what is wrong with them."""
    try:
        cells = cells_of(row)
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


def _error(path: Path, problems: list[_Problem]) -> FileError:
    first, *more = problems
    listed = "".join(f"\n{FileError(p.message, path=path, line=p.line, field=p.field)}" for p in more)
    return FileError(first.message + listed, path=path, line=first.line, field=first.field)
