"""apexfix demo: the main job on an invented launch day."""

from functools import partial
from pathlib import Path

import click

from apexfix.cli.failure import reports_errors
from apexfix.cli.reduction import exit_code, reduced
from apexfix.cli.report_files import write_report
from apexfix.errors import UnitError
from apexfix.model import DayResult
from apexfix.reduce.options import Options
from apexfix.report.jsonout import as_json, day_document
from apexfix.report.text import day_text


@click.command()
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="New folder for the day.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Which invented day.")
@click.option("--json", "as_document", is_flag=True, help="Print one JSON document and nothing else.")
@reports_errors
def demo(out: Path, seed: int, as_document: bool) -> None:
    """Fly an invented launch day: six flights, three stations, mishaps.

    Three virtual units run the real firmware on a real MicroPython; they are pulled, matched and reduced as on any day, and the
    table shows the truth beside every height. Ends as ``apexfix reduce`` does.
    """
    try:
        from apexfix.rehearsal import rehearse, true_apex
        from apexfix.sim.virtual_unit import interpreter
    except ModuleNotFoundError as error:
        raise UnitError(f"the simulated day needs Linux or macOS ({error}); reduce docs/example-day instead") from error
    interpreter()  # without one, a folder half filled would stand in the way of the next try
    truth = rehearse(out, seed, partial(click.echo, err=True))
    answers = reduced(out, Options())
    report = write_report(answers, out)
    true_m = [None if (apex := true_apex(result, truth)) is None else apex.up_m for result in answers.flights]
    click.echo(_document(answers, true_m) if as_document else day_text(answers, true_m))
    click.echo(f"report: {report}", err=as_document)
    raise click.exceptions.Exit(exit_code(answers))


def _document(answers: DayResult, true_m: list[float | None]) -> str:
    document = day_document(answers)
    for flight, height_m in zip(document["flights"], true_m, strict=True):
        flight["truth_m"] = height_m
    return as_json(document)
