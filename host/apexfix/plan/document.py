"""A plan for programs: the stable interface. A figure that is not known is null, never NaN."""

from datetime import datetime
from math import isfinite
from typing import Any

import numpy as np

from apexfix.plan.answer import NAMES, Plan
from apexfix.plan.rules import Alternative
from apexfix.plan.sunwatch import SunWatch
from apexfix.plan.words import bearing_deg, cost_percent, look_flags, polar, sides
from apexfix.predict.limits import DECIDES
from apexfix.safety import SUN_WARNING_RAD, Figure
from apexfix.units import DEG

FORMAT = 1


def plan_document(plan: Plan) -> dict[str, Any]:
    """Return a plan as plain lists, texts and numbers; keys carry their units."""
    return {
        "format": FORMAT,
        "expected": _expected(plan),
        "readings": _readings(plan),
        "layout": _layout(plan),
        "alternatives": [_alternative(plan, other) for other in plan.alternatives],
        "sun": None if plan.sun is None else _sun(plan, plan.sun),
        "safety": _safety(plan),
    }


def _expected(plan: Plan) -> dict[str, Any]:
    expected = plan.request.expected
    wind = expected.wind
    return {
        "source": expected.source,
        "apex_median_m": expected.median_m,
        "apex_interval95_m": list(expected.apex95_m),
        "drift_m": expected.drift_m.tolist(),
        "drift_covariance_m2": expected.drift_covariance_m2.tolist(),
        "descent_drift_m": None if expected.carry is None else expected.carry.median_m,
        "wind_m_s": wind.speed_m_s,
        "wind_from_deg": None if wind.from_rad is None else wind.from_rad / DEG,
    }


def _readings(plan: Plan) -> dict[str, Any]:
    readings = plan.request.readings
    azimuth = readings.sigma_azimuth_rad
    return {
        "elevation_only": azimuth is None,
        "sigma_elevation_deg": readings.sigma_elevation_rad / DEG,
        "sigma_azimuth_deg": None if azimuth is None else azimuth / DEG,
    }


def _layout(plan: Plan) -> dict[str, Any]:
    stations = []
    for (name, metres, bearing), place, looks in zip(polar(plan), plan.station_m.tolist(), plan.elevation_rad, strict=True):
        low, middle, high = (float(look) for look in looks)
        stations.append(
            {
                "id": name,
                "distance_m": metres,
                "bearing_deg": bearing,
                "bearing_to_pad_deg": (bearing + 180) % 360,
                "east_m": place[0],
                "north_m": place[1],
                "up_m": place[2],
                "elevation95_deg": [low / DEG, high / DEG],
                "elevation_median_deg": middle / DEG,
                "flags": look_flags(low, high),
            }
        )
    return {
        "stations": stations,
        "between": [{"from": a, "to": b, "distance_m": distance_m} for a, b, distance_m in sides(plan)],
        "sigma_m": _plain(plan.sigma_m),
        "sigma_percent": _plain(100 * plan.sigma_m / plan.request.expected.median_m),
        "sigma_at": [{"apex_m": height_m, "sigma_m": _plain(sigma_m)} for height_m, sigma_m in plan.sigma_at],
        "weakness": list(plan.weakness),
    }


def _alternative(plan: Plan, other: Alternative) -> dict[str, Any]:
    return {
        "name": other.name,
        "stations": _places(other),
        "sigma_m": _plain(other.sigma_m),
        "cost_percent": _plain(cost_percent(plan, other)),
        "fits": other.fits,
        "weakness": list(other.weakness),
    }


def _places(other: Alternative) -> list[dict[str, Any]]:
    return [{"distance_m": float(np.hypot(*place[:2])), "bearing_deg": bearing_deg(place)} for place in other.station_m]


def _sun(plan: Plan, sun: SunWatch) -> dict[str, Any]:
    moment, avoided = plan.request.moment, None
    if plan.avoided is not None and plan.avoided_sun is not None:
        avoided = {
            **_alternative(plan, plan.avoided),
            **_glances(plan.avoided_sun),
            "other_time_utc": _utc(plan.avoided_sun.other_time),
        }
    return {
        "utc": _utc(None if moment is None else moment.utc),
        "azimuth_deg": sun.azimuth_rad / DEG,
        "elevation_deg": sun.elevation_rad / DEG,
        "margin_deg": SUN_WARNING_RAD / DEG,
        **_glances(sun),
        "clear_from_utc": _utc(sun.clear_from),
        "clear_until_utc": _utc(sun.clear_until),
        "other_time_utc": _utc(sun.other_time),
        "avoided": avoided,
    }


def _glances(sun: SunWatch) -> dict[str, Any]:
    seen = zip(NAMES, sun.glances, strict=False)
    return {
        "looks": [{"id": name, "nearest_deg": g.nearest_rad / DEG, "during": g.during, "warning": g.warning} for name, g in seen]
    }


def _safety(plan: Plan) -> dict[str, Any]:
    advice = plan.request.advice
    return {
        "kind": advice.kind,
        "standoff_m": advice.standoff_m,
        "ballistic_m": plan.request.expected.ballistic_m,
        "site_m": None if advice.site is None else advice.site.metres,
        "checks": [{"subject": c.subject, "verdict": c.verdict, "words": c.words, "source": c.source} for c in plan.checks],
        "figures": [_figure(each) for each in (*advice.standoffs, *([advice.site] if advice.site else []), *advice.practice)],
        "advice": DECIDES,
    }


def _figure(figure: Figure) -> dict[str, Any]:
    return {"words": figure.words, "source": figure.source, "metres": figure.metres}


def _utc(moment: datetime | None) -> str | None:
    return None if moment is None else f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def _plain(value: float) -> float | None:
    return float(value) if isfinite(value) else None
