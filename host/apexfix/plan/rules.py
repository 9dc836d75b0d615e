"""Rules of thumb to hold a plan against, and why a layout is weak."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.geometry import angles
from apexfix.model import Vector
from apexfix.plan.accuracy import redundancy
from apexfix.plan.ground import allowed, places
from apexfix.plan.search import Task
from apexfix.plan.trial import Promise, promise
from apexfix.units import DEG

STEEP_RAD: Final = 75 * DEG
FLAT_RAD: Final = 15 * DEG
_TURNS: Final = 24  # bearings that a rule is tried at; the best of those that fit stands for it
_UNNOTICED: Final = 0.1  # redundancy below which a mistake hardly shows in its residual
_MOST_UNSOLVED: Final = 0.001  # share of the flights
_OPPOSITE_RAD: Final = 160 * DEG
_ALONGSIDE_RAD: Final = 20 * DEG
# common practice, no source: bearings in degrees and distance in expected heights
RULES: Final = {
    "two at 90 degrees, half the height away": ((0, 90), 0.5),
    "two at 90 degrees, the height away": ((0, 90), 1.0),
    "two at 90 degrees, twice the height away": ((0, 90), 2.0),
    "two opposite, the height away": ((0, 180), 1.0),
    "three at 120 degrees, the height away": ((0, 120, 240), 1.0),
}


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another way to stand, and what it costs."""

    name: str
    station_m: Vector  # (N, 3)
    sigma_m: float
    fits: bool  # the field and the standoff allow it
    weakness: tuple[str, ...]


def rule_layouts(height_m: float, bearings_deg: tuple[int, ...], heights: float) -> list[Vector]:
    """Return a rule's layout at each of its bearings, (N, 3) each, taped to whole metres as a plan is."""
    turn = np.arange(_TURNS) * 360.0 / _TURNS
    away_m = np.full(len(bearings_deg), max(round(heights * height_m), 1))
    return [places(away_m, (first + np.array(bearings_deg)) * DEG) for first in turn]


def fixed_rules(task: Task, height_m: float) -> tuple[Alternative, ...]:
    """Return every rule of thumb at its best bearing that the ground allows, else at its best bearing."""
    return tuple(_rule(task, name, rule_layouts(height_m, *rule)) for name, rule in RULES.items())


def _rule(task: Task, name: str, layouts: list[Vector]) -> Alternative:
    fitting = [layout for layout in layouts if allowed(task.ground, layout).all()]
    return alternative(task, name, min(fitting or layouts, key=task.sigma_m), bool(fitting))


def alternative(task: Task, name: str, station_m: Vector, fits: bool) -> Alternative:
    """Return a layout with what it costs and what is weak about it."""
    tried = promise(task, station_m)
    return Alternative(name, station_m, tried.sigma_m, fits, weaknesses(task, station_m, tried))


def elevations(station_m: Vector, apex_m: Vector) -> Vector:
    """Return the (N, 3) elevations of the lowest, the middle and the highest look that 95 % of the flights ask of each station."""
    elevation = angles(apex_m[:, None, :] - station_m)[1]
    return np.quantile(elevation, [0.025, 0.5, 0.975], axis=0).T


def weaknesses(task: Task, station_m: Vector, tried: Promise) -> tuple[str, ...]:
    """Return what is weak about a layout, in sentences; nothing where nothing is."""
    names = tuple("ABCDEFGH"[: len(station_m)])
    return (
        *_looks(task, station_m, names),
        *_shape(task, station_m, names),
        *_unnoticed(task, station_m, names),
        *_on_trial(tried),
    )


def _on_trial(tried: Promise) -> list[str]:
    found = []
    if tried.bent:
        found.append(
            f"the flights spread so far that first order, {tried.first_order_m:.2f} m, does not hold; the sigma is that of a trial"
        )
    if tried.unsolved >= _MOST_UNSOLVED:
        found.append(f"{100 * tried.unsolved:.1f} % of the flights would have no position")
    return found


def _looks(task: Task, station_m: Vector, names: tuple[str, ...]) -> list[str]:
    found = []
    for name, (low, _, high) in zip(names, elevations(station_m, task.apex_m), strict=True):
        if high > STEEP_RAD:
            percent = 100 * DEG / (np.sin(high) * np.cos(high))
            found.append(f"{name} looks up to {high / DEG:.0f} degrees steep, where one degree is {percent:.0f} % of the height")
        if low < FLAT_RAD:
            percent = 100 * DEG / (np.sin(low) * np.cos(low))
            found.append(f"{name} looks as low as {low / DEG:.0f} degrees, where one degree is {percent:.0f} % of the height")
    return found


def _shape(task: Task, station_m: Vector, names: tuple[str, ...]) -> list[str]:
    bearing = np.arctan2(station_m[:, 0], station_m[:, 1])
    if len(names) == 1:
        return ["one observer: a metre of drift towards or away is tan(elevation) metres of height, and nothing tells"]
    gap = np.abs(np.mod(bearing[:, None] - bearing[None, :] + np.pi, 2 * np.pi) - np.pi)
    if len(names) > 2:
        return []
    if not task.readings.sigma_azimuth_rad:
        return ["two elevations for three unknowns: drift and height are told apart only by how far a model is expected to drift"]
    if gap[0, 1] > _OPPOSITE_RAD:
        return ["in one line with the pad: the azimuths meet at a flat angle and do not tell where along that line the model is"]
    if gap[0, 1] < _ALONGSIDE_RAD:
        return ["both look the same way: the lines of sight meet at a sharp angle"]
    return []


def _unnoticed(task: Task, station_m: Vector, names: tuple[str, ...]) -> list[str]:
    part = redundancy(station_m, task.apex_m, task.readings, task.prior)
    kinds = ("azimuth", "elevation") if task.readings.sigma_azimuth_rad else ("", "elevation")
    found = [
        f"the {kind} of {name}"
        for axis, kind in enumerate(kinds)
        for name, share in zip(names, part[:, axis], strict=True)
        if kind and share < _UNNOTICED
    ]
    return [f"a mistake in {' or '.join(found)} would hardly show; one observer more would show it"] if found else []
