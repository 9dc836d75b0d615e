"""The table for the terminal."""

from collections.abc import Sequence
from textwrap import fill
from typing import Final

from apexfix.model import DayResult, FlightResult
from apexfix.report.rounding import (
    PLAIN,
    Manner,
    closure_words,
    height_words,
    interval_words,
    length_words,
    sentence,
    stations_used,
)
from apexfix.report.table import aligned

_COLUMNS: Final = ("flight", "height", "95 % interval", "verdict", "closure", "stations used")
_WIDTH: Final = 100
_TO_THE_LEFT: Final = ("verdict", "stations used")


def day_text(day: DayResult, true_m: Sequence[float | None] | None = None, manner: Manner = PLAIN) -> str:
    """Return the answers of a day as text: one row for each flight, then what there is to say about each.

    Parameters
    ----------
    true_m
        The true height of each flight, where the day was simulated; makes a column of its own.
    """
    rows = [_COLUMNS, *(_row(result, manner) for result in day.flights)]
    if true_m is not None:
        truths = ("truth", *("-" if height is None else length_words(height, None, manner) for height in true_m))
        rows = [(*row[:3], truth, *row[3:]) for row, truth in zip(rows, truths, strict=True)]
    table = aligned(rows, _TO_THE_LEFT)
    notes = [line for result in day.flights for line in _notes(result, manner)]
    concerns = [f"unit {unit.unit}: {concern}" for unit in day.units for concern in unit.concerns]
    remarks = [f"remark: {sentence(remark, manner)}" for remark in (*day.remarks, *concerns)]
    return "\n".join([day.site.name, "", *table, "", *notes, *remarks, "", "± is one standard deviation."])


def _row(result: FlightResult, manner: Manner) -> tuple[str, ...]:
    used = ", ".join(stations_used(result)) or "-"
    height, interval = height_words(result, manner), interval_words(result, manner)
    return (str(result.flight), height, interval, result.verdict.value, closure_words(result), used)


def _notes(result: FlightResult, manner: Manner) -> list[str]:
    heading = f"flight {result.flight}: {result.verdict.value}"
    reasons = [_wrapped(sentence(reason, manner)) for reason in result.reasons]
    excluded = [
        _wrapped(f"not used: {each.quantity} of {each.station}: {sentence(each.reason, manner)}") for each in result.excluded
    ]
    return [heading, *reasons, *excluded]


def _wrapped(text: str) -> str:
    return fill(text, _WIDTH, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False)
