"""apexfix report: the answers of a day as files."""

from pathlib import Path

import click

from apexfix.cli.failure import reports_errors
from apexfix.cli.reduction import exit_code, reduced
from apexfix.cli.report_files import write_report
from apexfix.reduce.options import Options


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@click.option("--open", "show", is_flag=True, help="Open the report in the browser.")
@click.option("--feet", is_flag=True, help="Lengths in feet in the report and its pictures; files stay in metres.")
@click.option("--pictures", is_flag=True, help="Write every figure as SVG and PNG too, into DAY/report/figures.")
@reports_errors
def report(day: Path, show: bool, feet: bool, pictures: bool) -> None:
    """Write report.html and its tables as CSV and JSON into the folder DAY/report.

    Prints the path of the report. Ends as ``apexfix reduce`` does.
    """
    answers = reduced(day, Options())
    page = write_report(answers, day, feet=feet, pictures=pictures)
    click.echo(page)
    if show:
        click.launch(str(page))
    raise click.exceptions.Exit(exit_code(answers))
