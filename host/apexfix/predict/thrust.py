"""A motor's thrust over time: from a plain table, or from total impulse and burn time only."""

import re
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from pathlib import Path
from typing import Final

import numpy as np

from apexfix.errors import FileError
from apexfix.fields import shown
from apexfix.model import Vector
from apexfix.text_file import read_text

LARGEST_TABLE_BYTES: Final = 1 << 18
_MOST_ROWS: Final = 500  # every row is a step of every flight: more would make the interval slow
_LARGEST_N: Final = 1e6
_LONGEST_S: Final = 1000.0
_SEPARATOR: Final = re.compile(r"\s*,\s*|\s+")
_EXPECTED: Final = "two numbers expected: the time in s and the thrust in N, with a comma, a tab or spaces between them"


@dataclass(frozen=True, slots=True)
class ThrustTable:
    """Thrust that runs straight from each point to the next and is zero after the last."""

    time_s: Vector  # (N,) rising, from 0
    thrust_n: Vector  # (N,) zero or more


def constant_thrust(impulse_ns: float, burn_time_s: float) -> ThrustTable:
    """Return the curve of a motor of which only the total impulse and the burn time are known."""
    return ThrustTable(np.array([0.0, burn_time_s]), np.full(2, impulse_ns / burn_time_s))


def impulse_until(curve: ThrustTable, time_s: Vector | float) -> Vector:
    """Return the impulse in N s from the start to each time, exact for the straight lines of the curve.

    Examples
    --------
    >>> impulse_until(ThrustTable(np.array([0.0, 2.0]), np.array([0.0, 4.0])), np.array([1.0, 2.0, 3.0])).tolist()
    [1.0, 4.0, 4.0]
    """
    when = np.clip(time_s, curve.time_s[0], curve.time_s[-1])
    step = np.clip(np.searchsorted(curve.time_s, when, side="right") - 1, 0, len(curve.time_s) - 2)
    strips = np.diff(curve.time_s) * (curve.thrust_n[1:] + curve.thrust_n[:-1]) / 2
    done = np.concatenate([[0.0], np.cumsum(strips)])
    now_n = np.interp(when, curve.time_s, curve.thrust_n)
    return np.asarray(done[step] + (when - curve.time_s[step]) * (curve.thrust_n[step] + now_n) / 2)


def total_impulse(curve: ThrustTable) -> float:
    """Return the impulse of the whole curve in N s."""
    return float(impulse_until(curve, curve.time_s[-1]))


def impulse_class(impulse_ns: float) -> str:
    """Return the letter of a motor: each class reaches to twice the impulse of the one before; A ends at 2.5 N s.

    Examples
    --------
    >>> impulse_class(79.35), impulse_class(5.0), impulse_class(1.0)
    ('F', 'B', '1/2A')
    """
    for letter, last_ns in {"1/4A": 0.625, "1/2A": 1.25} .items():
        if impulse_ns <= last_ns:
            return letter
    doubled = int(np.ceil(np.log2(impulse_ns / 2.5) - 1e-12))
    return chr(ord("A") + doubled) if doubled < 26 else "beyond Z"


def read_thrust(path: Path) -> ThrustTable:
    """Return the curve in a table of two columns; lines that begin with ``#`` or ``;`` and empty ones are skipped.

    A table that begins later than 0 s is taken to rise from (0, 0), as such tables leave that point out.

    Raises
    ------
    FileError
        The file cannot be read, a line is not two fitting numbers, times do not rise, or there is no thrust at all.
    """
    rows: list[tuple[int, float, float]] = []
    for line, text in enumerate(read_text(path, LARGEST_TABLE_BYTES).splitlines(), 1):
        kept = re.split("[#;]", text, maxsplit=1)[0].strip()
        if kept:
            rows.append((line, *_row(path, line, kept)))
    _check_order(path, rows)
    points = [(time_s, thrust_n) for _, time_s, thrust_n in rows]
    if points[0][0] > 0:
        points.insert(0, (0.0, 0.0))
    time_s, thrust_n = np.array(points).T
    if not thrust_n.any():
        raise FileError("no thrust above 0 seen in the whole table, some expected", path=path, line=rows[0][0], field="thrust")
    return ThrustTable(time_s, thrust_n)


def _row(path: Path, line: int, text: str) -> tuple[float, float]:
    parts = _SEPARATOR.split(text)
    if len(parts) != 2:
        raise FileError(f"{shown(text)} seen, {_EXPECTED}", path=path, line=line)
    return _number(path, line, "time", parts[0], _LONGEST_S), _number(path, line, "thrust", parts[1], _LARGEST_N)


def _number(path: Path, line: int, field: str, text: str, largest: float) -> float:
    try:
        value = float(text)
    except ValueError:
        raise FileError(f"{shown(text)} seen, {_EXPECTED}", path=path, line=line, field=field) from None
    if not isfinite(value) or not 0 <= value <= largest:
        raise FileError(f"{shown(text)} seen, a number from 0 to {largest:g} expected", path=path, line=line, field=field)
    return value


def _check_order(path: Path, rows: list[tuple[int, float, float]]) -> None:
    if len(rows) < 2:
        raise FileError(f"{len(rows)} rows seen, two or more expected; {_EXPECTED}", path=path, line=rows[0][0] if rows else 1)
    if len(rows) > _MOST_ROWS:
        line = rows[_MOST_ROWS][0]
        raise FileError(f"{len(rows)} rows seen, at most {_MOST_ROWS} expected; thin the table out", path=path, line=line)
    for (_, before_s, _), (line, time_s, _) in pairwise(rows):
        if time_s <= before_s:
            raise FileError(f"{time_s:g} s seen after {before_s:g} s, a later time expected", path=path, line=line, field="time")
