"""apexfix reduce: the apex of every flight of a day, as a table or as JSON."""

from pathlib import Path

import click

from apexfix.cli.failure import reports_errors
from apexfix.cli.reduction import exit_code, manner_for, reduced
from apexfix.reduce.closure import ClosureRule
from apexfix.reduce.options import Options
from apexfix.report.jsonout import day_json
from apexfix.report.text import day_text


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
@click.option(
    "--closure-rule",
    type=click.Choice([rule.value for rule in ClosureRule]),
    default=ClosureRule.MEAN.value,
    show_default=True,
    help="Which disagreement is held against ten per cent: all heights against their mean, each one, or the gap of the lines.",
)
@click.option("--feet", is_flag=True, help="Lengths of the table in feet; JSON stays in metres.")
@reports_errors
def reduce(day: Path, as_json: bool, closure_rule: str, feet: bool) -> None:
    """Compute the apex of every flight of the folder DAY.

    Ends with 0 where every flight has an answer, 1 where some flight is unsolved, 4 where a file is wrong and 5 where there is
    nothing to reduce.
    """
    answers = reduced(day, Options(closure_rule=ClosureRule(closure_rule)))
    click.echo(day_json(answers) if as_json else day_text(answers, manner=manner_for(answers, feet=feet)))
    raise click.exceptions.Exit(exit_code(answers))
