"""Everything that `apexfix history` answers."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from apexfix.history.days import Day, in_order, named
from apexfix.history.drift import Course, courses
from apexfix.history.rockets import RocketLog, rocket_logs


@dataclass(frozen=True, slots=True)
class History:
    """The log of many days."""

    days: tuple[Day, ...]  # by date
    rockets: tuple[RocketLog, ...]
    courses: tuple[Course, ...]
    remarks: tuple[str, ...]


def history_of(days: Sequence[Day], rocket_files: Iterable[Path]) -> History:
    """Return the log of days.

    Raises
    ------
    FileError
        A rocket file has an error in it.
    """
    ordered = named(in_order(days))
    rockets, remarks = rocket_logs(ordered, rocket_files)
    return History(ordered, rockets, courses(ordered), remarks)


def exit_code(told: History) -> int:
    """Return 0 where every day has heights, 1 where some day has none, 5 where none has any."""
    troubled = [bool(day.trouble) for day in told.days]
    return 5 if all(troubled) else 1 if any(troubled) else 0
