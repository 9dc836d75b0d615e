"""What the commands that answer for a day share: from its folder to its answers, and from these to files and an exit code."""

from dataclasses import replace
from pathlib import Path

from apexfix.day import SIGHTINGS_NAME, write_sightings
from apexfix.errors import ReductionError
from apexfix.fieldwork import FieldDay, read_field_day
from apexfix.health import units_health
from apexfix.model import DayResult, Verdict
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options
from apexfix.report.csvout import day_csv, tables_csv
from apexfix.report.html import day_html
from apexfix.report.jsonout import day_json
from apexfix.report.pictures import day_figures, pngs, standalone
from apexfix.report.rounding import Manner
from apexfix.text_file import write_bytes, write_text

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


def write_report(answers: DayResult, day_folder: Path, *, feet: bool = False, pictures: bool = False) -> Path:
    """Write the report and its tables into the day's report folder.

    These are report.html, results.json, results.csv and the other tables, all readings as sightings.csv, and with `pictures` every
    figure as SVG and PNG in the folder `figures`. Only the page and the pictures know feet.

    Returns the path of the report. FileError where a file cannot be written.
    """
    folder, manner = day_folder / "report", manner_for(answers, feet=feet)
    write_text(folder / "report.html", day_html(answers, manner))
    write_text(folder / "results.json", day_json(answers) + "\n")
    write_text(folder / "results.csv", day_csv(answers))
    for name, table in tables_csv(answers).items():
        write_text(folder / f"{name}.csv", table)
    sightings = tuple(sighting for result in answers.flights for sighting in result.sightings)
    write_sightings(folder / SIGHTINGS_NAME, sightings, answers.site)
    if pictures:
        _write_pictures(answers, manner, folder / "figures")
    return folder / "report.html"


def _write_pictures(answers: DayResult, manner: Manner, folder: Path) -> None:
    drawn = {name: standalone(figure) for name, figure in day_figures(answers, manner).items()}
    for name, svg in drawn.items():
        write_text(folder / f"{name}.svg", svg)
    for name, png in zip(drawn, pngs(drawn.values()), strict=True):
        write_bytes(folder / f"{name}.png", png)
