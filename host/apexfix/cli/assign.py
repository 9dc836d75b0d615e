"""apexfix assign: see which marks are in doubt, and settle them."""

import time
from collections.abc import Sequence
from datetime import UTC, datetime
from math import inf
from pathlib import Path
from typing import Final

import click

from apexfix.align import Placed
from apexfix.cli.failure import reports_errors
from apexfix.decisions import Decision, add_decision, flight_from
from apexfix.fields import Unfit, shown, suggestion
from apexfix.fieldwork import read_alignment
from apexfix.units import SECOND_US

_COLUMNS: Final = ("mark", "station", "time (UTC)", "flight", "margin", "why")


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@click.argument("mark", required=False)
@click.argument("flight", required=False)
@click.option("--all", "every", is_flag=True, help="List every mark, not only those in doubt.")
@click.option("--undo", is_flag=True, help="Take back what was settled about MARK.")
@click.option("--note", default="", help="Why, for whoever reads the record.")
@reports_errors
def assign(day: Path, mark: str | None, flight: str | None, every: bool, undo: bool, note: str) -> None:
    """List the marks of the folder DAY whose flight is in doubt, or settle one: MARK saw FLIGHT, a number, or - for none.

    What is settled is added to DAY/assignments.csv, and every later reduction honours it; the records themselves never change.
    """
    if mark is None:
        places = read_alignment(day).places
        click.echo(_table(places if every else [place for place in places if place.ambiguous or place.by_hand]))
        return
    if undo == (flight is not None):
        raise click.UsageError("name the FLIGHT that the mark saw, or - for none, or --undo")
    _known(mark, read_alignment(day).places)
    add_decision(day, Decision(time.time_ns() // 1000, mark, "" if flight is None else _verdict(flight), note))
    after = read_alignment(day).places
    click.echo(_table([place for place in after if place.mark.name == mark]))


def _known(mark: str, places: tuple[Placed, ...]) -> None:
    names = [place.mark.name for place in places]
    if mark not in names:
        raise click.UsageError(f"{shown(mark)} seen, the name of a mark expected; {suggestion(mark, names)}")


def _verdict(flight: str) -> int | str:
    try:
        return flight_from(flight)
    except Unfit as unfit:
        raise click.UsageError(str(unfit)) from unfit


def _table(places: Sequence[Placed]) -> str:
    rows = [_COLUMNS, *(_row(place) for place in places)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_COLUMNS))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join(lines) if places else "no mark is in doubt"


def _row(place: Placed) -> tuple[str, ...]:
    flight = "-" if place.flight is None else f"{place.flight}" if place.kept else f"{place.flight}, set aside"
    return place.mark.name, place.mark.station, _time(place), flight, _margin(place), place.reason


def _margin(place: Placed) -> str:
    if place.by_hand:
        return "by hand"
    return "clear" if place.margin == inf else f"{place.margin:.1f}{' ?' if place.ambiguous else ''}"


def _time(place: Placed) -> str:
    if place.mark.utc_us is None or not place.clocked:
        return "unknown"
    return f"{datetime.fromtimestamp(place.mark.utc_us / SECOND_US, UTC):%H:%M:%S.%f}"[:10]
