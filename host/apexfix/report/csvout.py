"""Answers for spreadsheets: one row for each flight, full numbers, empty where a number is not known."""

import csv
import io
from typing import Any, Final

from apexfix.fields import guarded
from apexfix.model import DayResult
from apexfix.report.jsonout import flight_document
from apexfix.report.rounding import stations_used

COLUMNS: Final = (
    "flight",
    "verdict",
    "height_m",
    "sigma_m",
    "interval95_low_m",
    "interval95_high_m",
    "east_m",
    "north_m",
    "closure_percent",
    "method",
    "stations",
    "reasons",
)


def day_csv(day: DayResult) -> str:
    """Return the answers of a day as comma-separated text; a text that begins like a formula gets a quote before it."""
    out = io.StringIO()
    rows = csv.DictWriter(out, COLUMNS, extrasaction="ignore", lineterminator="\n")
    rows.writeheader()
    for result in day.flights:
        answer = flight_document(result)
        low_m, high_m = answer["interval95_m"] or (None, None)
        lists = {"stations": " ".join(stations_used(result)), "reasons": "; ".join(result.reasons)}
        rows.writerow(_safe(answer | lists | {"interval95_low_m": low_m, "interval95_high_m": high_m}))
    return out.getvalue()


def _safe(row: dict[str, Any]) -> dict[str, Any]:
    return {name: guarded(value) if isinstance(value, str) else value for name, value in row.items()}
