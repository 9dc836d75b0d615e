"""From the answers for a day to the files of its report; apart, because a command that writes none should not wait for it."""

from pathlib import Path

from apexfix.cli.reduction import manner_for
from apexfix.day import SIGHTINGS_NAME, write_sightings
from apexfix.model import DayResult
from apexfix.report.csvout import day_csv, tables_csv
from apexfix.report.html import day_html
from apexfix.report.jsonout import day_json
from apexfix.report.pictures import day_figures, pngs, standalone
from apexfix.report.rounding import Manner
from apexfix.text_file import write_bytes, write_text


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
