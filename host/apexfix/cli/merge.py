"""apexfix merge: the folders of two laptops as one."""

from collections.abc import Iterator
from pathlib import Path

import click

from apexfix.cli.failure import reports_errors
from apexfix.day_merge import MergedDay, merge_day


@click.command()
@click.argument("day", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.argument("other", type=click.Path(path_type=Path))
@reports_errors
def merge(day: Path, other: Path) -> None:
    """Add to the folder DAY what the folder OTHER of the same day holds beyond it. OTHER is only read.

    Units' records, clocks, hand readings and what was settled about marks are joined; other files are copied where DAY lacks them.
    Where both say something else of one thing, that of DAY stays in force; the other is kept beside and told here, with what to do.
    """
    for line in _lines(merge_day(day, other)):
        click.echo(line)


def _lines(merged: MergedDay) -> Iterator[str]:
    archive = merged.archive
    yield f"{archive.units} new units, {archive.fresh_bytes} new bytes, {archive.exchanges} new exchanges of clocks"
    yield f"{merged.readings} new hand readings, {merged.decisions} new decisions about marks"
    if merged.steps:
        yield f"{merged.steps} new presses of stands that were turned through the horizon"
    yield from (f"copied: {name}" for name in merged.copied)
    for conflict in archive.conflicts:
        whose = f"unit {conflict.serial}, log {conflict.log}"
        yield f"conflict: {whose}, {conflict.what}: {len(conflict.raw)} other bytes, kept beside"
    yield from (f"conflict: {note}" for note in merged.notes)
