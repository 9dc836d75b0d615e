"""The folders of many days, each with its answers or with the reason why it has none."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

from apexfix.day import SITE_NAME
from apexfix.errors import ApexfixError
from apexfix.learn.flights_file import Conditions, day_conditions
from apexfix.model import DayResult, Flight, FlightResult
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options
from apexfix.units import US

_DATE: Final = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


@dataclass(frozen=True, slots=True)
class Day:
    """One day. `result` is None where it has no answers, and `trouble` says why."""

    folder: Path
    date: date | None  # of its flights in UTC; else as the folder's name says
    result: DayResult | None
    alone: tuple[FlightResult, ...]  # each flight by its presses alone: here the day's zeros are not taken out of the residuals
    conditions: Mapping[int, Conditions]
    trouble: str = ""
    name: str = ""  # what it is called in a log


def day_folders(given: Iterable[Path]) -> tuple[Path, ...]:
    """Return the folders of days: those given, and in place of a folder that is none the days in it, by name."""
    found: dict[Path, None] = {}
    for path in given:
        inside = () if (path / SITE_NAME).exists() else sorted(site.parent for site in path.glob(f"*/{SITE_NAME}"))
        found |= dict.fromkeys(inside or (path,))
    return tuple(found)


def read_day(folder: Path, reduced: Callable[[Path], DayResult]) -> Day:
    """Return a day with its answers. An error that a person can act on becomes its trouble: other days are told all the same."""
    try:
        result, conditions = reduced(folder), day_conditions(folder, {})
    except ApexfixError as error:
        return Day(folder, _named_date(folder), None, (), {}, str(error))
    solved = any(flight.position_m is not None for flight in result.flights)
    trouble = "" if solved else "no flight of it has a height"
    return Day(folder, day_date(folder, result), result, standing_alone(result), conditions, trouble)


def standing_alone(result: DayResult) -> tuple[FlightResult, ...]:
    """Return the answers of each flight by itself, from the same readings.

    Where the whole day is adjusted, a zero that is off is found and taken out; nothing of it would be left in the residuals.
    """
    flights = [Flight(flight.flight, flight.sightings) for flight in result.flights]
    return reduce_day(result.site, flights, Options(whole_day=False)).flights


def in_order(days: Iterable[Day]) -> tuple[Day, ...]:
    """Return days by date, those without one at the end as they came."""
    return tuple(sorted(days, key=lambda day: (day.date is None, day.date or date.min)))


def named(days: Sequence[Day]) -> tuple[Day, ...]:
    """Return the days of a log with their names: the date, and the folder's where there is none or another day has it too."""
    dates = Counter(day.date for day in days)
    return tuple(replace(day, name=_name(day, alone=dates[day.date] == 1)) for day in days)


def _name(day: Day, *, alone: bool) -> str:
    folder = day.folder.resolve().name
    if day.date is None or (not alone and day.date.isoformat() in folder):
        return folder
    return day.date.isoformat() if alone else f"{day.date.isoformat()} {folder}"


def day_date(folder: Path, result: DayResult) -> date | None:
    """Return the date of a day's flights in UTC; where they carry no time the date in the folder's name; None without either."""
    times = sorted(s.utc_us for flight in result.flights for s in flight.sightings if s.utc_us is not None)
    return datetime.fromtimestamp(times[len(times) // 2] * US, UTC).date() if times else _named_date(folder)


def _named_date(folder: Path) -> date | None:
    found = _DATE.search(folder.resolve().name)
    try:
        return date.fromisoformat(found[0]) if found else None
    except ValueError:
        return None
