"""What the commands that answer for a day share: from its folder to its answers, and from these to an exit code."""

from dataclasses import replace
from pathlib import Path

from apexfix.day import SIGHTINGS_NAME, write_sightings
from apexfix.errors import ReductionError
from apexfix.fieldwork import read_field_day
from apexfix.model import DayResult, Verdict
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options
from apexfix.report.csvout import day_csv
from apexfix.report.html import day_html
from apexfix.report.jsonout import day_json
from apexfix.text_file import write_text

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


def write_report(answers: DayResult, day_folder: Path) -> Path:
    """Write report.html, results.json, results.csv and all readings as sightings.csv into the day's report folder.

    Returns the path of the report. FileError where a file cannot be written.
    """
    folder = day_folder / "report"
    write_text(folder / "report.html", day_html(answers))
    write_text(folder / "results.json", day_json(answers) + "\n")
    write_text(folder / "results.csv", day_csv(answers))
    sightings = tuple(sighting for result in answers.flights for sighting in result.sightings)
    write_sightings(folder / SIGHTINGS_NAME, sightings, answers.site)
    return folder / "report.html"
