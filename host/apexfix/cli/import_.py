"""apexfix import: a day from one file."""

from pathlib import Path

import click

from apexfix.bundle import import_day
from apexfix.cli.failure import reports_errors


@click.command("import")
@click.argument("bundle", type=click.Path(path_type=Path))
@click.argument("day", type=click.Path(path_type=Path))
@reports_errors
def import_(bundle: Path, day: Path) -> None:
    """Unpack BUNDLE, which 'apexfix export' made, into the new folder DAY. Every checksum is compared; nothing is written over."""
    packed = import_day(bundle, day)
    click.echo(f"{day}: {len(packed)} files, {sum(each.size for each in packed)} bytes, all as they were packed")
