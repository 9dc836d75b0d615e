"""The table for the terminal."""

from collections.abc import Sequence
from textwrap import fill
from typing import Final

from apexfix.model import DayResult, FlightResult
from apexfix.report.rounding import closure_words, height_words, interval_words, stations_used

_COLUMNS: Final = ("flight", "height", "95 % interval", "verdict", "closure", "stations used")
_WIDTH: Final = 100
_RIGHT: Final = (True, True, True, False, True, False)


def day_text(day: DayResult) -> str:
    """Return the answers of a day as text: one row for each flight, then what there is to say about each."""
    table = _table([_COLUMNS, *(_row(result) for result in day.flights)])
    notes = [line for result in day.flights for line in _notes(result)]
    remarks = [f"remark: {remark}" for remark in day.remarks]
    return "\n".join([day.site.name, "", *table, "", *notes, *remarks, "", "± is one standard deviation."])


def _row(result: FlightResult) -> tuple[str, ...]:
    used = ", ".join(stations_used(result)) or "-"
    return (str(result.flight), height_words(result), interval_words(result), result.verdict.value, closure_words(result), used)


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(_COLUMNS))]
    return [
        "  ".join(
            cell.rjust(width) if right else cell.ljust(width) for cell, width, right in zip(row, widths, _RIGHT, strict=True)
        ).rstrip()
        for row in rows
    ]


def _notes(result: FlightResult) -> list[str]:
    heading = f"flight {result.flight}: {result.verdict.value}"
    reasons = [_wrapped(reason) for reason in result.reasons]
    excluded = [_wrapped(f"not used: {each.quantity} of {each.station}: {each.reason}") for each in result.excluded]
    return [heading, *reasons, *excluded]


def _wrapped(sentence: str) -> str:
    return fill(sentence, _WIDTH, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False)
