"""apexfix export: a whole day as one file."""

from pathlib import Path

import click

from apexfix.bundle import export_day
from apexfix.cli.failure import reports_errors


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@click.argument("bundle", type=click.Path(path_type=Path))
@reports_errors
def export(day: Path, bundle: Path) -> None:
    """Pack the folder DAY into the new file BUNDLE, a zip with the SHA-256 of each file. The report is left out."""
    packed = export_day(day, bundle)
    click.echo(f"{bundle}: {len(packed)} files, {sum(each.size for each in packed)} bytes")
