"""What the commands that answer for a day share: from its folder to its answers, and from these to an exit code."""

from dataclasses import replace
from pathlib import Path

from apexfix.day import SIGHTINGS_NAME
from apexfix.errors import ReductionError
from apexfix.fieldwork import read_field_day
from apexfix.model import DayResult, Verdict
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options

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
    field = read_field_day(day_folder)
    if not field.flights:
        raise ReductionError(f"no sighting of any flight seen in {day_folder}; pull the units, or write {SIGHTINGS_NAME}")
    day = reduce_day(field.site, field.flights, options)
    return replace(day, remarks=field.remarks + day.remarks)


def exit_code(day: DayResult) -> int:
    """Return 0 where every flight has an answer, else 1."""
    return SOME_UNSOLVED if any(result.verdict is Verdict.UNSOLVED for result in day.flights) else 0

