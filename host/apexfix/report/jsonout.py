"""Answers for programs: the stable interface, with full numbers. A number that is not known is null, never NaN."""

import json
from collections.abc import Mapping
from math import isfinite, sqrt
from typing import Any

from apexfix.csv_table import utc_text
from apexfix.model import BootClock, DayResult, FittedTrack, FlightResult, Residual, Sighting, Site, UnitHealth
from apexfix.report.rounding import height_sigma_m
from apexfix.units import DEG

FORMAT = 1


def day_document(day: DayResult) -> dict[str, Any]:
    """Return the answers of a day as plain lists, texts and numbers: metres, degrees, seconds, volts, UTC."""
    return {
        "format": FORMAT,
        "flights": [flight_document(result) for result in day.flights],
        "site": _site(day.site),
        "remarks": list(day.remarks),
        "units": [_unit(unit) for unit in day.units],
    }


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
        "sigma_east_m": _sigma_m(result, 0),
        "sigma_north_m": _sigma_m(result, 1),
        "time_utc": _time(result.utc_us),
        "budget_m": {source: _plain(sigma_m) for source, sigma_m in result.budget_m.items()},
        "readings": [_reading(sighting) for sighting in result.sightings],
        "tracks": [_track(fitted) for fitted in result.fitted],
    }


def _sigma_m(result: FlightResult, axis: int) -> float | None:
    return None if result.covariance_m2 is None else _plain(sqrt(float(result.covariance_m2[axis, axis])))


def _time(utc_us: int | None) -> str | None:
    return None if utc_us is None else utc_text(utc_us)


def _reading(sighting: Sighting) -> dict[str, Any]:
    return {
        "station": sighting.station,
        "time_utc": _time(sighting.utc_us),
        "azimuth_deg": _degrees(sighting.azimuth_rad),
        "elevation_deg": _degrees(sighting.elevation_rad),
        "source": sighting.source,
        "note": sighting.note,
    }


def _track(fitted: FittedTrack) -> dict[str, Any]:
    return {
        "station": fitted.station,
        "offset_s": _plain(fitted.offset_s),
        "sigma_offset_s": _plain(fitted.sigma_offset_s),
        "rms_deg": _degrees(fitted.rms_rad),
        "misfit": _plain(fitted.misfit),
    }


def _residual(residual: Residual) -> dict[str, Any]:
    return {
        "station": residual.station,
        "azimuth_deg": _degrees(residual.azimuth_rad),
        "elevation_deg": _degrees(residual.elevation_rad),
        "sigma_azimuth_deg": _degrees(residual.sigma_azimuth_rad),
        "sigma_elevation_deg": _degrees(residual.sigma_elevation_rad),
    }


def _site(site: Site) -> dict[str, Any]:
    return {
        "name": site.name,
        "timezone": site.timezone,
        "wind_m_s": site.wind_m_s,
        "wind_from_deg": _degrees(site.wind_from_rad),
    }


def _unit(unit: UnitHealth) -> dict[str, Any]:
    return {
        "unit": unit.unit,
        "serial": unit.serial,
        "station": unit.station,
        "imu": unit.imu,
        "firmware": unit.firmware,
        "calibration": unit.calibration,
        "calibrated_utc": unit.calibrated_utc,
        "calibration_age_days": _plain(unit.calibration_age_days),
        "calibrated_celsius": unit.calibrated_celsius,
        "sigma_elevation_deg": _degrees(unit.sigma_elevation_rad),
        "sigma_azimuth_deg": _degrees(unit.sigma_azimuth_rad),
        "sigma_elevation_zero_deg": _degrees(unit.sigma_elevation_zero_rad),
        "concerns": list(unit.concerns),
        "clocks": [_clock(clock) for clock in unit.clocks],
        "celsius": unit.celsius,
        "supply_v": unit.supply_v,
        "free_bytes": unit.free_bytes,
        "lost_samples": unit.lost_samples,
    }


def _clock(clock: BootClock) -> dict[str, Any]:
    return {
        "boot": clock.boot,
        "log": clock.log,
        "exchanges": clock.exchanges,
        "zero_utc": _time(clock.zero_utc_us),
        "sigma_zero_s": _plain(clock.sigma_zero_s),
        "drift_ppm": None if clock.drift is None else _plain(clock.drift * 1e6),
        "sigma_drift_ppm": None if clock.sigma_drift is None else _plain(clock.sigma_drift * 1e6),
    }


def _degrees(angle_rad: float | None) -> float | None:
    return None if angle_rad is None else _plain(angle_rad / DEG)


def _plain(value: float | None) -> float | None:
    """Return a number that JSON can hold: one that is not finite says no more than null."""
    return None if value is None or not isfinite(value) else float(value)
