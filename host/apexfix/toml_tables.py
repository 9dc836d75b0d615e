"""A TOML file as checked tables: each value fits its field, and each complaint knows its line."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from apexfix.errors import FileError
from apexfix.fields import Check, Unfit, label, shown, suggestion
from apexfix.text_file import read_text
from apexfix.toml_lines import Place, key_lines, line_of

# The parser needs time and memory that grow with the square of the parts of a dotted key: half a megabyte of one takes gigabytes.
MOST_DOTS: Final = 64


@dataclass(frozen=True, slots=True)
class Document:
    """A parsed file and the lines of its keys."""

    path: Path
    content: Mapping[str, Any]
    lines: Mapping[Place, int]


@dataclass(frozen=True, slots=True)
class Table:
    """One table of a document. Its values have passed their checks."""

    document: Document
    place: Place
    values: Mapping[str, Any]

    def error(self, message: str, field: str) -> FileError:
        """Return an error about one field of this table."""
        return _error(self.document, message, (*self.place, field))


def parsed(path: Path, largest_bytes: int) -> Document:
    """Return the document in a TOML file.

    Raises
    ------
    FileError
        The file cannot be read, is too large, is not UTF-8 or is not TOML.
    """
    text = read_text(path, largest_bytes)
    for line, row in enumerate(text.split("\n"), 1):
        if row.count(".") > MOST_DOTS and not row.startswith("#"):
            raise FileError(f"{row.count('.')} dots seen on one line, at most {MOST_DOTS} expected", path=path, line=line)
    try:
        return Document(path, tomllib.loads(text), key_lines(text))
    except RecursionError as error:
        raise FileError("brackets nested too deeply; this file needs none inside each other", path=path, line=1) from error
    except ValueError as error:  # also what a number of thousands of digits raises
        raise _bad_toml(path, text, str(error)) from error


def table(document: Document, place: Place, checks: Mapping[str, Check], required: tuple[str, ...] = ()) -> Table:
    """Return the table at a place, an empty one where the file has none and nothing is required.

    Raises
    ------
    FileError
        There is something other than a table, or a field is unknown, missing or does not fit.
    """
    found: Any = document.content
    for step in place:
        found = found[step] if isinstance(step, int) else found.get(step, {})
    if not isinstance(found, dict):
        raise _error(document, f"{shown(found)} seen, a table expected: write [{place[0]}] on a line of its own", place)
    for field in found:
        if field not in checks:
            raise _error(document, f"there is no such name here; {suggestion(field, checks)}", (*place, field))
    for field in required:
        if field not in found:
            raise _error(document, f"nothing seen, {field} expected; add a line {field} = … here", (*place, field))
    fitting = {field: _fitting(document, (*place, field), value, checks[field]) for field, value in found.items()}
    return Table(document, place, fitting)


def tables(document: Document, name: str, checks: Mapping[str, Check], required: tuple[str, ...] = ()) -> tuple[Table, ...]:
    """Return every table of an array of tables, none where the file has none.

    Raises
    ------
    FileError
        As `table`.
    """
    found = document.content.get(name, [])
    if not isinstance(found, list):
        raise _error(document, f"{shown(found)} seen, tables expected: write [[{name}]] with two brackets before each", (name,))
    return tuple(table(document, (name, number), checks, required) for number in range(len(found)))


def _fitting(document: Document, place: Place, value: object, check: Check) -> object:
    try:
        return check(value)
    except Unfit as unfit:
        raise _error(document, str(unfit), place) from None


def _error(document: Document, message: str, place: Place) -> FileError:
    field = next((label(step) for step in reversed(place) if isinstance(step, str)), None)
    return FileError(message, path=document.path, line=line_of(document.lines, place) or 1, field=field)


def _bad_toml(path: Path, text: str, message: str) -> FileError:
    """Return an error with the line that the parser's message names, and the key that stands there."""
    at = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    lines = text.split("\n")
    line = int(at[1]) if at and at[1] else len(lines)
    key = re.match(r"\s*([A-Za-z0-9_-]+)\s*=", lines[line - 1]) if at else None
    reason = message[: at.start()] if at else message
    hint = "text needs quotes, numbers a decimal point, and a field may stand only once in its table"
    return FileError(
        f"this is not TOML: {reason}; seen {lines[line - 1].strip()[:60]!r}, a line like field = value expected ({hint})",
        path=path,
        line=line if at else None,
        field=key[1] if key else None,
    )
