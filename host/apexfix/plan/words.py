"""A plan as a text to read on the field."""

from collections.abc import Sequence
from itertools import combinations
from math import sqrt
from textwrap import fill
from typing import Final

import numpy as np

from apexfix.plan.answer import NAMES, Plan
from apexfix.plan.rules import FLAT_RAD, STEEP_RAD, Alternative
from apexfix.plan.sunwatch import Glance, SunWatch
from apexfix.predict.limits import DECIDES
from apexfix.safety import SUN_WARNING_RAD
from apexfix.units import DEG

_WIDTH: Final = 100
_MARK: Final = {"good": "  ", "warning": "! ", "unknown": "? "}


def plan_text(plan: Plan, declination_rad: float | None) -> str:
    """Return the whole plan as text."""
    blocks = [
        _heading(plan),
        _layout(plan, declination_rad),
        _tape(plan),
        _accuracy(plan),
        _others(plan),
        _sun(plan),
        _safety(plan),
    ]
    return "\n".join([line for block in blocks for line in [*block, ""] if block] + [DECIDES])


def polar(plan: Plan) -> list[tuple[str, int, int]]:
    """Return name, metres and degrees from the pad of each station."""
    return [
        (name, round(float(np.hypot(*place[:2]))), bearing_deg(place))
        for name, place in zip(plan.names, plan.station_m, strict=True)
    ]


def bearing_deg(place_m: Sequence[float]) -> int:
    """Return the true bearing of a place from the pad in whole degrees, 0 to 359."""
    return round(float(np.arctan2(place_m[0], place_m[1])) / DEG) % 360


def sides(plan: Plan) -> list[tuple[str, str, float]]:
    """Return the level distance between every two stations, to check the tape with."""
    pairs = combinations(zip(plan.names, plan.station_m, strict=True), 2)
    return [(a, b, float(np.linalg.norm(first[:2] - second[:2]))) for (a, first), (b, second) in pairs]


def look_flags(low_rad: float, high_rad: float) -> list[str]:
    """Return what is flagged about the looks of a station."""
    return [flag for flag, raised in (("steep", high_rad > STEEP_RAD), ("flat", low_rad < FLAT_RAD)) if raised]


def _heading(plan: Plan) -> list[str]:
    expected, readings = plan.request.expected, plan.request.readings
    low_m, high_m = expected.apex95_m
    azimuth = readings.sigma_azimuth_rad
    seen = "elevations alone" if azimuth is None else f"azimuths to {azimuth / DEG:g} and elevations"
    sigma = sqrt(float(np.trace(expected.drift_covariance_m2)) / 2)
    drift = f"drift of the apex {np.hypot(*expected.drift_m):.0f} m, give or take {sigma:.0f} m"
    return [
        f"Where to stand for an apex of {low_m:.0f} to {high_m:.0f} m ({expected.source})",
        *_wrapped(f"{drift}; {seen} to {readings.sigma_elevation_rad / DEG:g} degrees; {plan.request.advice.kind}"),
    ]


def _layout(plan: Plan, declination_rad: float | None) -> list[str]:
    compass = "" if declination_rad is None else "   compass"
    lines = [f"station   from pad   bearing   to pad{compass}   elevation, 95 % of flights"]
    for (name, metres, bearing), (low, middle, high) in zip(polar(plan), plan.elevation_rad, strict=True):
        needle = "" if declination_rad is None else f"   {round(bearing - declination_rad / DEG) % 360:>7}"
        flags = {"steep": "   ! above 75", "flat": "   ! below 15"}
        noted = "".join(flags[flag] for flag in look_flags(low, high))
        looks = f"{low / DEG:.0f} to {high / DEG:.0f}, mostly {middle / DEG:.0f}{noted}"
        lines.append(f"{name:<7}   {metres:>6} m   {bearing:>7}   {(bearing + 180) % 360:>6}{needle}   {looks}")
    return [
        *lines,
        "Bearings are true, in degrees" + ("." if declination_rad is None else "; the compass column is what a needle shows."),
    ]


def _tape(plan: Plan) -> list[str]:
    pairs = [f"{a} to {b} {distance_m:.1f} m" for a, b, distance_m in sides(plan)]
    return [f"Check the tape: {', '.join(pairs)}."] if pairs else []


def _accuracy(plan: Plan) -> list[str]:
    share = 100 * plan.sigma_m / plan.request.expected.median_m
    points = ", ".join(f"{sigma_m:.2f} m at {height_m:.0f} m" for height_m, sigma_m in plan.sigma_at)
    lines = [f"Sigma of the height to expect: {plan.sigma_m:.2f} m ({share:.1f} %) over all flights; {points}."]
    lines += [f"Weak: {words}." for words in plan.weakness]
    return [row for line in lines for row in _wrapped(line)]


def _others(plan: Plan) -> list[str]:
    lines = [f"{'what else':<44} {'sigma':>8}  {'cost':>7}"]
    for other in plan.alternatives:
        misfit = "" if other.fits else "  does not fit here"
        lines.append(f"{other.name:<44} {other.sigma_m:>6.2f} m  {_signed(cost_percent(plan, other)):>5} %{misfit}")
        lines += _wrapped("; ".join(other.weakness), "      ") if other.weakness else []
    return lines


def _signed(percent: float) -> str:
    """Return a whole number with its sign, and no sign before a zero."""
    return f"{percent:+z.0f}" if round(percent) else "0"


def cost_percent(plan: Plan, other: Alternative) -> float:
    """Return how much larger the sigma of an alternative is, in per cent of the plan's."""
    return 100 * (other.sigma_m / plan.sigma_m - 1)


def _sun(plan: Plan) -> list[str]:
    if plan.sun is None or plan.request.moment is None:
        return _wrapped("The Sun was not looked at: give a time, latitude and longitude.")
    sun, moment = plan.sun, plan.request.moment
    if sun.elevation_rad < 0:
        return [f"The Sun is down at {moment.utc:%Y-%m-%d %H:%M} UTC."]
    bearing, up = sun.azimuth_rad / DEG, sun.elevation_rad / DEG
    lines = [f"Sun at {moment.utc:%Y-%m-%d %H:%M} UTC: bearing {bearing:.0f}, elevation {up:.0f} degrees."]
    lines += [_glance(name, glance) for name, glance in zip(plan.names, sun.glances, strict=True)]
    lines += _clear(sun)
    if plan.avoided is not None and plan.avoided_sun is not None:
        lines.append(_avoided(plan, plan.avoided, plan.avoided_sun))
    return [row for line in lines for row in _wrapped(line)]


def _glance(name: str, glance: Glance) -> str:
    nearest = f"{name}: a line of sight comes within {glance.nearest_rad / DEG:.0f} degrees of the Sun ({glance.during})"
    if not glance.warning:
        return f"{nearest}."
    return f"! {nearest}; less than {SUN_WARNING_RAD / DEG:.0f}: do not sight from there at this time, the Sun damages the eye."


def _clear(sun: SunWatch) -> list[str]:
    if sun.clear_from is not None and sun.clear_until is not None:
        return [f"Clear of the Sun from {sun.clear_from:%H:%M} to {sun.clear_until:%H:%M} UTC (six hours each way were looked at)."]
    if sun.other_time is None:
        return ["No other places in the field are clear of the Sun now, nor are these within six hours."]
    return [f"No other places in the field are clear of the Sun now; these are at {sun.other_time:%H:%M} UTC."]


def _avoided(plan: Plan, other: Alternative, sun: SunWatch) -> str:
    near = [name for name, glance in zip(NAMES, sun.glances, strict=False) if glance.warning]
    where = ", ".join(f"{round(float(np.hypot(*place[:2])))} m at {bearing_deg(place)}" for place in other.station_m)
    later = "" if sun.other_time is None else f"; from there it is clear at {sun.other_time:%H:%M} UTC"
    return (
        f"These places keep clear of the Sun. Without it the best would be {where}, with a sigma of {other.sigma_m:.2f} m "
        f"({_signed(cost_percent(plan, other))} %), where {' and '.join(near)} would look into it{later}."
    )


def _safety(plan: Plan) -> list[str]:
    advice = plan.request.advice
    lines = [f"{_MARK[check.verdict]}{check.subject}: {check.words} [{check.source}]" for check in plan.checks]
    figures = [*advice.standoffs, *([advice.site] if advice.site else []), *advice.practice]
    lines += [f"  published: {figure.words} [{figure.source}]" for figure in figures]
    return ["Safety"] + [row for line in lines for row in _wrapped(line, line[:2] if line[0] in "!? " else "")]


def _wrapped(sentence: str, indent: str = "") -> list[str]:
    plain = sentence.removeprefix(indent).strip()
    return fill(plain, _WIDTH, initial_indent=indent, subsequent_indent=" " * (len(indent) or 2), break_on_hyphens=False).split(
        "\n"
    )
