"""Answers for programs: the stable interface, with full numbers. A number that is not known is null, never NaN."""

import json
from collections.abc import Mapping
from math import isfinite
from typing import Any

from apexfix.model import DayResult, FlightResult, Residual
from apexfix.report.rounding import height_sigma_m
from apexfix.units import DEG

FORMAT = 1


def day_document(day: DayResult) -> dict[str, Any]:
    """Return the answers of a day as plain lists, texts and numbers."""
    return {"format": FORMAT, "flights": [flight_document(result) for result in day.flights]}


def day_json(day: DayResult) -> str:
    """Return the answers of a day as one JSON document."""
    return as_json(day_document(day))


def as_json(document: Mapping[str, Any]) -> str:
    """Return a document as JSON; ValueError if a number in it is not finite."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)


def flight_document(result: FlightResult) -> dict[str, Any]:
    """Return the answer for one flight."""
    east_m, north_m, height_m = (None, None, None) if result.position_m is None else map(_plain, result.position_m)
    return {
        "flight": result.flight,
        "verdict": result.verdict.value,
        "reasons": list(result.reasons),
        "height_m": height_m,
        "sigma_m": _plain(height_sigma_m(result)),
        "interval95_m": None if result.interval95_m is None else [_plain(end) for end in result.interval95_m],
        "east_m": east_m,
        "north_m": north_m,
        "closure_percent": _plain(result.closure_percent),
        "method": result.method,
        "methods": {name: _plain(each_m) for name, each_m in result.methods.items()},
        "residuals": [_residual(residual) for residual in result.residuals],
        "excluded": [{"station": e.station, "quantity": e.quantity, "reason": e.reason} for e in result.excluded],
    }


def _residual(residual: Residual) -> dict[str, Any]:
    return {
        "station": residual.station,
        "azimuth_deg": _degrees(residual.azimuth_rad),
        "elevation_deg": _degrees(residual.elevation_rad),
    }


def _degrees(angle_rad: float | None) -> float | None:
    return None if angle_rad is None else _plain(angle_rad / DEG)


def _plain(value: float | None) -> float | None:
    """Return a number that JSON can hold: one that is not finite says no more than null."""
    return None if value is None or not isfinite(value) else float(value)
