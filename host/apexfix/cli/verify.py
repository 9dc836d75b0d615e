"""apexfix verify: is everything in a day's folder still what was recorded?"""

import json
from collections.abc import Iterator
from pathlib import Path

import click

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.cli.failure import reports_errors
from apexfix.cli.reduction import reduced
from apexfix.errors import ApexfixError, FileError
from apexfix.model import DayResult
from apexfix.reduce.options import Options
from apexfix.report.jsonout import day_json
from apexfix.verify import Audit, audit


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@reports_errors
def verify(day: Path) -> None:
    """Derive every record and every flight of the folder DAY again, and compare with what is stored.

    Ends with 0 where all is sound, 4 where something is damaged. Lines with "note" tell of what is no damage of the archive: torn
    ends after a power cut, bytes that contradict each other, gaps, marks without samples.
    """
    damaged = 0
    if (day / ARCHIVE_NAME).exists():
        with open_archive(day / ARCHIVE_NAME) as archive:
            found = audit(archive)
        damaged = len(found.damaged)
        click.echo(f"archive: {found.segments} segments, {found.records} records, {found.presses} presses")
        for line in _lines(found):
            click.echo(line)
    for line in () if damaged else _flights(day):
        click.echo(line)
    click.echo(f"{damaged} damaged" if damaged else "all sound")
    if damaged:
        raise click.exceptions.Exit(FileError.exit_code)


def _lines(found: Audit) -> Iterator[str]:
    yield from (f"damaged: {line}" for line in found.damaged)
    yield from (f"note: {line}" for line in found.remarks)


def _flights(day: Path) -> Iterator[str]:
    """Tell what became of computing the flights again. A wrong file ends the command; a day without an answer is no damage."""
    try:
        answers = reduced(day, Options())
    except FileError:
        raise
    except ApexfixError as error:
        yield f"note: no flights: {error}"
        return
    yield f"flights: {len(answers.flights)} computed again"
    yield from _report(day, answers)


def _report(day: Path, answers: DayResult) -> Iterator[str]:
    path = day / "report" / "results.json"
    if not path.exists():
        return
    try:
        written = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        written = None
    if written != json.loads(day_json(answers)):
        yield "note: the report is not what the readings give now; 'apexfix report' writes it again"
