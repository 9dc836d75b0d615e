"""apexfix history: the log of many days."""

from pathlib import Path

import click

from apexfix.cli.failure import reports_errors


@click.command()
@click.argument("days", metavar="DAY...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--rocket", "rockets", multiple=True, type=click.Path(path_type=Path), help="A ROCKET.toml to predict by; repeat it.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for history.html and history.csv.")
@click.option("--json", "as_document", is_flag=True, help="Print one JSON document and nothing else.")
@reports_errors
def history(days: tuple[Path, ...], rockets: tuple[Path, ...], out: Path | None, as_document: bool) -> None:
    """Tell the same rocket over days, and which unit or station is off.

    Each DAY is the folder of a day, or a folder of such folders. Ends with 0 where every day has heights, 1 where some day has
    none, 4 where a rocket's file is wrong and 5 where no day has any.
    """
    from apexfix.cli.reduction import reduced
    from apexfix.history.days import day_folders, read_day
    from apexfix.history.log import exit_code, history_of
    from apexfix.history.page import write_history
    from apexfix.history.words import history_document, history_text
    from apexfix.reduce.options import Options
    from apexfix.report.jsonout import as_json

    found = []
    for folder in day_folders(days):
        click.echo(f"reducing {folder}", err=True)
        found.append(read_day(folder, lambda each: reduced(each, Options())))
    told = history_of(found, rockets)
    click.echo(as_json(history_document(told)) if as_document else history_text(told))
    if out is not None:
        click.echo(f"history: {write_history(told, out)}", err=as_document)
    raise click.exceptions.Exit(exit_code(told))
