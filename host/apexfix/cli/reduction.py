"""What the commands that answer for a day share: from its folder to its answers, and to an exit code."""

from dataclasses import replace
from pathlib import Path

from apexfix.day import SIGHTINGS_NAME
from apexfix.errors import ReductionError
from apexfix.fieldwork import FieldDay, read_field_day
from apexfix.health import units_health
from apexfix.model import DayResult, Verdict
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options
from apexfix.report.rounding import Manner

SOME_UNSOLVED = 1


def reduced(day_folder: Path, options: Options) -> DayResult:
    """Return the answers for the day in a folder.

    Raises
    ------
    FileError
        A file of the folder is missing or wrong.
    ReductionError
        The folder holds no sighting of any flight.
    """
    return answered(day_folder, read_field_day(day_folder), options)


def answered(day_folder: Path, field: FieldDay, options: Options) -> DayResult:
    """Return the answers for a day whose folder was read already; ReductionError and FileError as for :func:`reduced`."""
    if not field.flights:
        raise ReductionError(f"no sighting of any flight seen in {day_folder}; pull the units, or write {SIGHTINGS_NAME}")
    day = reduce_day(field.site, field.flights, options)
    return replace(day, remarks=field.remarks + day.remarks, units=units_health(day_folder, field.site))


def exit_code(day: DayResult) -> int:
    """Return 0 where every flight has an answer, else 1."""
    return SOME_UNSOLVED if any(result.verdict is Verdict.UNSOLVED for result in day.flights) else 0


def manner_for(day: DayResult, *, feet: bool) -> Manner:
    """Return how figures are written for a person: in the hour of the day's site, in feet where that is asked for."""
    return Manner(feet=feet, timezone=day.site.timezone)
