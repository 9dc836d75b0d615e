"""assignments.csv: what a person settled about marks. Lines are added, never changed; the last one about a mark counts."""

import csv
import io
import os
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from apexfix.csv_table import cells_of, table_lines, utc_text, utc_time
from apexfix.errors import FileError
from apexfix.fields import Unfit, guarded, shown, text, unguarded, whole
from apexfix.text_file import read_text

ASSIGNMENTS_NAME: Final = "assignments.csv"
SET_ASIDE: Final = "-"
HIGHEST_FLIGHT: Final = 9999
LARGEST_ASSIGNMENTS_BYTES: Final = 4 << 20
LONGEST_NOTE: Final = 1000
_COLUMNS: Final = ("decided_utc", "mark", "flight", "note")


@dataclass(frozen=True, slots=True)
class Decision:
    """One line of the file: what a person held of one mark."""

    decided_utc_us: int
    mark: str  # its short name
    verdict: int | str  # number of the flight, "-" for set aside, "" for an earlier line taken back
    note: str


def flight_from(words: str) -> int | str:
    """Return the verdict that a person typed: the number of a flight, or ``-`` to set the mark aside.

    Raises
    ------
    Unfit
        It is neither.

    Examples
    --------
    >>> flight_from("7"), flight_from("-")
    (7, '-')
    """
    if words == SET_ASIDE:
        return SET_ASIDE
    try:
        number = int(words) if re.fullmatch(r"\d{1,9}", words, re.ASCII) else None
        return int(str(whole(1, HIGHEST_FLIGHT)(number)))
    except Unfit as unfit:
        raise Unfit(f"{shown(words)} seen, a flight from 1 to {HIGHEST_FLIGHT}, or - to set the mark aside, expected") from unfit


def in_force(decisions: Iterable[Decision]) -> dict[str, int | None]:
    """Return the flight of every mark that is settled, None where it is set aside."""
    last = {decision.mark: decision.verdict for decision in decisions}
    return {mark: None if verdict == SET_ASIDE else int(verdict) for mark, verdict in last.items() if verdict != ""}


def read_decisions(folder: Path) -> tuple[Decision, ...]:
    """Return the lines of a day's assignments.csv in their order; none where there is no such file.

    Raises
    ------
    FileError
        The file cannot be read, or a field of a line is wrong.
    """
    path = folder / ASSIGNMENTS_NAME
    if not path.exists():
        return ()
    lines = table_lines(read_text(path, LARGEST_ASSIGNMENTS_BYTES))
    line, header = next(lines, (1, ""))
    if _cells(path, line, header) != list(_COLUMNS):
        raise FileError(f"{shown(header)} seen, the header line {','.join(_COLUMNS)} expected", path=path, line=line)
    return tuple(_decision(path, line, row) for line, row in lines)


def add_decision(folder: Path, *decisions: Decision) -> None:
    """Add lines to a day's assignments.csv, and be sure that they are on the disk. A note loses its line breaks.

    Raises
    ------
    FileError
        The file cannot be written, or the mark or the note is too long or not printable.
    """
    path = folder / ASSIGNMENTS_NAME
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    for decision in decisions:
        when, note = utc_text(decision.decided_utc_us), guarded(" ".join(decision.note.split()))
        rows.writerow((when, guarded(decision.mark), str(decision.verdict), note))
    for row in out.getvalue().splitlines():
        _decision(path, None, row)  # what this release writes it must be able to read
    try:
        with path.open("a+b") as file:
            file.write(_begin(file.seek(0, os.SEEK_END), path) + out.getvalue().encode())
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise FileError(f"it cannot be written ({error.strerror}), a folder that you may write is expected", path=path) from error


def _begin(size: int, path: Path) -> bytes:
    """Return what must stand before a new line: the header in a new file, a line end where the last one was torn off."""
    if size == 0:
        return (",".join(_COLUMNS) + "\n").encode()
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return b"" if file.read(1) == b"\n" else b"\n"


# --- lines ----------------------------------------------------------------------------------------------------------


def _cells(path: Path, line: int | None, row: str) -> list[str]:
    try:
        return cells_of(row)
    except csv.Error as error:
        raise FileError(f"{shown(row)} seen, quotes in pairs on one line expected ({error})", path=path, line=line) from error


def _decision(path: Path, line: int | None, row: str) -> Decision:
    cells = _cells(path, line, row)
    if len(cells) != len(_COLUMNS):
        hint = "a line that was cut off can be deleted; a note with commas needs quotes"
        raise FileError(f"{len(cells)} values seen, {len(_COLUMNS)} as in the header expected; {hint}", path=path, line=line)
    values = {}
    for column, cell in zip(_COLUMNS, cells, strict=True):
        try:
            values[column] = _PARSERS[column](cell)
        except Unfit as unfit:
            raise FileError(str(unfit), path=path, line=line, field=column) from unfit
    return Decision(values["decided_utc"], values["mark"], values["flight"], values["note"])


_PARSERS: Final[Mapping[str, Callable[[str], Any]]] = {
    "decided_utc": utc_time,
    "mark": lambda cell: text(200)(unguarded(cell)),
    "flight": lambda cell: flight_from(cell) if cell else "",
    "note": lambda cell: text(LONGEST_NOTE)(unguarded(cell)) if cell else "",
}
