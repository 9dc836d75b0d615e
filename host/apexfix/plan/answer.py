"""The whole plan: where to stand, what else it could be, and whether it is safe."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.plan.accuracy import Readings
from apexfix.plan.checks import Check, Launch, checks
from apexfix.plan.expected import Expected, apexes, height_quantile
from apexfix.plan.field import Field
from apexfix.plan.ground import Ground, allowed, reach_of
from apexfix.plan.rules import RULES, Alternative, alternative, elevations, fixed_rules, rule_layouts, weaknesses
from apexfix.plan.search import Task, best_layout
from apexfix.plan.sunwatch import Moment, SunWatch, clear_places, flights, watch
from apexfix.plan.trial import promise
from apexfix.predict.limits import Warned
from apexfix.reduce.least_squares import HorizontalPrior
from apexfix.reduce.sightline import Mask
from apexfix.safety import Advice

MOST_STATIONS: Final = 8
NAMES: Final = tuple("ABCDEFGH")
Rule = Callable[[Vector], Mask]  # which of (N, 3) places are allowed
_SEARCHED: Final = 64  # flights that a layout is searched with
_JUDGED: Final = 1024  # and those that it is judged by
_SHARES: Final = (0.025, 0.25, 0.5, 0.75, 0.975)  # of the flights below the heights at which the sigma is told


@dataclass(frozen=True, slots=True)
class Request:
    """Everything that a plan follows from."""

    expected: Expected
    readings: Readings
    count: int
    field: Field | None
    advice: Advice
    limits: tuple[Warned, ...]
    moment: Moment | None


@dataclass(frozen=True, slots=True)
class Plan:
    """Where to stand."""

    request: Request
    station_m: Vector  # (N, 3) whole metres and degrees from the pad
    sigma_m: float  # root mean square over the expected flights; first order unless a trial contradicts it
    sigma_at: tuple[tuple[float, float], ...]  # (height, first-order sigma over the drift at that height)
    elevation_rad: Vector  # (N, 3) lowest, middle and highest look of 95 % of the flights
    weakness: tuple[str, ...]
    alternatives: tuple[Alternative, ...]
    checks: tuple[Check, ...]
    sun: SunWatch | None
    avoided: Alternative | None  # the layout that would be better if it did not look too near to the Sun
    avoided_sun: SunWatch | None

    @property
    def names(self) -> tuple[str, ...]:
        """One for each station."""
        return tuple(named(self.station_m))


def named(station_m: Vector) -> dict[str, Vector]:
    """Return stations by their names."""
    return dict(zip(NAMES, station_m, strict=False))


def make_plan(request: Request) -> Plan:
    """Return the plan for a request.

    Raises
    ------
    ReductionError
        The field has no room for so many stations outside the standoff.
    """
    anywhere = _placed(request, request.count, None)
    seen = None if request.moment is None else flights(request.expected)
    clear, chosen, sun, avoided_sun = None, anywhere, None, None
    if request.moment is not None and seen is not None:
        sun = watch(anywhere, seen, request.moment)
        if any(glance.warning for glance in sun.glances):
            chosen, clear = _clear_of_the_sun(request, clear_places(seen, request.moment), anywhere)
        if clear is not None:
            sun, avoided_sun = watch(chosen, seen, request.moment), sun
    judge = task_of(request, request.count, _JUDGED, clear)
    tried = promise(judge, chosen)
    return Plan(
        request=request,
        station_m=chosen,
        sigma_m=tried.sigma_m,
        sigma_at=_over_heights(judge, request.expected, chosen),
        elevation_rad=elevations(chosen, judge.apex_m),
        weakness=weaknesses(judge, chosen, tried),
        alternatives=_alternatives(request, judge, chosen),
        checks=checks(Launch(request.expected, request.field, request.advice, request.limits), named(chosen)),
        sun=sun,
        avoided=None if avoided_sun is None else alternative(judge, "without regard to the Sun", anywhere, False),
        avoided_sun=avoided_sun,
    )


def task_of(request: Request, count: int, draws: int, clear: Rule | None = None) -> Task:
    """Return what layouts of so many stations are judged by; elevations alone and single stations lean on the expected drift."""
    expected = request.expected
    leaning = request.readings.sigma_azimuth_rad is None or count == 1
    prior = HorizontalPrior(expected.drift_m, expected.drift_covariance_m2) if leaning else None
    ground = Ground(request.field, request.advice.standoff_m, reach_of(expected.apex95_m[1], request.advice.standoff_m), clear)
    return Task(apexes(expected, draws), request.readings, prior, ground)


def _placed(request: Request, count: int, clear: Rule | None) -> Vector:
    """Return the best layout; never one that a rule of thumb with as many observers betters."""
    alike = [
        layout for rule in RULES.values() if len(rule[0]) == count for layout in rule_layouts(request.expected.median_m, *rule)
    ]
    search, judge = (task_of(request, count, draws, clear) for draws in (_SEARCHED, _JUDGED))
    fitting = [layout for layout in alike if allowed(search.ground, layout).all()]
    found = best_layout(search, count, fitting[::3])
    rule = sorted(fitting, key=judge.sigma_m)[:1]
    return min([found, *rule], key=lambda layout: promise(judge, layout).sigma_m)


def _clear_of_the_sun(request: Request, clear: Rule, anywhere: Vector) -> tuple[Vector, Rule | None]:
    """Return the best layout clear of the Sun and its rule, or the layout as it was where the field has none."""
    try:
        return _placed(request, request.count, clear), clear
    except ReductionError:
        return anywhere, None


def _alternatives(request: Request, judge: Task, chosen: Vector) -> tuple[Alternative, ...]:
    """Return the rules of thumb, the same places with elevations alone, and one observer less and more."""
    found = list(fixed_rules(judge, request.expected.median_m))
    if request.readings.sigma_azimuth_rad is not None and request.count > 1:
        alone = replace(request, readings=replace(request.readings, sigma_azimuth_rad=None))
        judge_alone = task_of(alone, request.count, _JUDGED, judge.ground.clear)
        found.append(alternative(judge_alone, "the same places, elevations alone", chosen, True))
    for count, name in (
        (request.count - 1, "one observer less, best places"),
        (request.count + 1, "one observer more, best places"),
    ):
        if 1 <= count <= MOST_STATIONS:
            found += _another_number(request, judge, count, name)
    return tuple(found)


def _another_number(request: Request, judge: Task, count: int, name: str) -> list[Alternative]:
    """Return the best layout of another number of observers, nothing where the field has no room."""
    try:
        layout = _placed(request, count, judge.ground.clear)
    except ReductionError:
        return []
    return [alternative(task_of(request, count, _JUDGED, judge.ground.clear), name, layout, True)]


def _over_heights(judge: Task, expected: Expected, station_m: Vector) -> tuple[tuple[float, float], ...]:
    """Return the sigma at some heights of the interval, over the drift there."""
    heights = [height_quantile(expected, share) for share in _SHARES]
    return tuple((height_m, replace(judge, apex_m=_at(judge.apex_m, height_m)).sigma_m(station_m)) for height_m in heights)


def _at(apex_m: Vector, height_m: float) -> Vector:
    return np.column_stack([apex_m[:, :2], np.full(len(apex_m), height_m)])
