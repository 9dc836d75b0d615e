"""apexfix pull: from connected units into a day's folder."""

from pathlib import Path

import click

from apexfix.cli.failure import reports_errors
from apexfix.errors import UnitError
from apexfix.pull import Outcome, Progress, pull_all


@click.command()
@click.argument("day", type=click.Path(path_type=Path, file_okay=False))
@click.option("--port", "ports", multiple=True, help="Serial port or pyserial URL; may be repeated. Default: every USB port.")
@click.option("--tidy", is_flag=True, help="Erase closed segments on the unit once the archive holds every byte of them.")
@reports_errors
def pull(day: Path, ports: tuple[str, ...], tidy: bool) -> None:
    """Fetch the records of every connected unit into the folder DAY, which is made if needed.

    Ends with 3 where any unit failed; the others are pulled all the same, and pulling again goes on where it stopped.
    """
    outcomes = pull_all(ports or None, day, progress=_show, tidy=tidy)
    click.echo(err=True)
    click.echo("unit              port                       new bytes  damaged  conflicts  erased  result")
    for outcome in outcomes:
        click.echo(_row(outcome))
    if any(outcome.error for outcome in outcomes):
        raise click.exceptions.Exit(UnitError.exit_code)


def _show(progress: Progress) -> None:
    click.echo(f"\r{progress.unit or progress.port}: {progress.done_bytes} of {progress.total_bytes} bytes   ", nl=False, err=True)


def _row(outcome: Outcome) -> str:
    return (
        f"{outcome.unit or '-':<16}  {outcome.port:<25}  {outcome.fresh_bytes:9d}  {outcome.damaged_bytes:7d}  "
        f"{outcome.conflicts:9d}  {outcome.tidied:6d}  {outcome.error or _done(outcome)}"
    )


def _done(outcome: Outcome) -> str:
    return f"done, but {outcome.untidied} not tidied: the unit was busy, try again" if outcome.untidied else "done"
