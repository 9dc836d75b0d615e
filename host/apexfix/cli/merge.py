"""apexfix merge: the archives of two laptops as one."""

from pathlib import Path

import click

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.cli.failure import reports_errors
from apexfix.day import SIGHTINGS_NAME
from apexfix.errors import FileError
from apexfix.merge import merge as merge_archives


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@click.argument("other", type=click.Path(path_type=Path))
@reports_errors
def merge(day: Path, other: Path) -> None:
    """Add to the archive of the folder DAY what the folder OTHER of the same day holds beyond it. OTHER is only read.

    Where both hold different bytes for one place, those of DAY stay in force; the others are kept beside and listed here.
    """
    if not (other / ARCHIVE_NAME).exists():
        raise FileError("there is no such file, the archive of another laptop expected", path=other / ARCHIVE_NAME)
    with open_archive(day / ARCHIVE_NAME) as into, open_archive(other / ARCHIVE_NAME) as source:
        merged = merge_archives(into, source)
    click.echo(f"{merged.units} new units, {merged.fresh_bytes} new bytes, {merged.exchanges} new exchanges of clocks")
    for conflict in merged.conflicts:
        whose = f"unit {conflict.serial}, log {conflict.log}"
        click.echo(f"conflict: {whose}, {conflict.what}: {len(conflict.raw)} other bytes, kept beside")
    if (other / SIGHTINGS_NAME).exists():
        click.echo(f"note: the hand readings in {other / SIGHTINGS_NAME} are not merged; copy the lines that you want")
