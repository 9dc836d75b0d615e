"""apexfix report: the answers of a day as files."""

from pathlib import Path

import click

from apexfix.cli.failure import reports_errors
from apexfix.cli.reduction import exit_code, reduced
from apexfix.day import SIGHTINGS_NAME, write_sightings
from apexfix.reduce.options import Options
from apexfix.report.csvout import day_csv
from apexfix.report.html import day_html
from apexfix.report.jsonout import day_json
from apexfix.text_file import write_text


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@click.option("--open", "show", is_flag=True, help="Open the report in the browser.")
@reports_errors
def report(day: Path, show: bool) -> None:
    """Write report.html, results.json, results.csv and all readings as sightings.csv into the folder DAY/report.

    Prints the path of the report. Ends as ``apexfix reduce`` does.
    """
    answers = reduced(day, Options())
    folder = day / "report"
    write_text(folder / "report.html", day_html(answers))
    write_text(folder / "results.json", day_json(answers) + "\n")
    write_text(folder / "results.csv", day_csv(answers))
    sightings = tuple(sighting for result in answers.flights for sighting in result.sightings)
    write_sightings(folder / SIGHTINGS_NAME, sightings, answers.site)
    click.echo(folder / "report.html")
    if show:
        click.launch(str(folder / "report.html"))
    raise click.exceptions.Exit(exit_code(answers))
