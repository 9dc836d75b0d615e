"""The published figures held against a plan: what keeps them, what breaks them, and what nobody can tell yet."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.plan.expected import HOLDS95, Expected, landings
from apexfix.plan.field import Field, breadth_m, edge_distance_m, inside
from apexfix.predict.limits import MODEL_SOURCE, TILT_LIMIT_RAD, WIND_LIMIT_M_S, Warned
from apexfix.safety import Advice
from apexfix.units import DEG

GOOD, WARNING, UNKNOWN = "good", "warning", "unknown"
LANDINGS: Final = 1024
_OWN: Final = "computed here"
_FEW: Final = 0.05  # landings outside the field that are let pass: what 95 % means


@dataclass(frozen=True, slots=True)
class Check:
    """One question of safety and its answer."""

    subject: str
    verdict: str  # good, warning, unknown
    words: str
    source: str


@dataclass(frozen=True, slots=True)
class Launch:
    """What is checked."""

    expected: Expected
    field: Field | None
    advice: Advice
    limits: tuple[Warned, ...]  # what the prediction or `stated_limits` found broken


def checks(launch: Launch, stations: Mapping[str, Vector]) -> tuple[Check, ...]:
    """Return everything that is checked of a launch and of the places (3,) of its observers."""
    expected, field = launch.expected, launch.field
    return (
        _crowd(expected, launch.advice),
        _site(field, launch.advice),
        _descent(expected, field),
        *_landing_on(expected, stations),
        _ballistic(expected, field),
        *(Check("limit", WARNING, found.reason, found.source) for found in launch.limits),
    )


def stated_limits(wind_m_s: float | None, tilt_rad: float | None) -> tuple[Warned, ...]:
    """Return what a wind and a lean of the launcher break of the published limits."""
    found = []
    if tilt_rad is not None and tilt_rad > TILT_LIMIT_RAD:
        found.append(Warned(f"the launcher leans {tilt_rad / DEG:.0f} degrees; at most 30 from the vertical", MODEL_SOURCE))
    if wind_m_s is not None and wind_m_s > WIND_LIMIT_M_S:
        found.append(Warned(f"a wind of {wind_m_s * 3.6:.0f} km/h; at most 32 km/h", MODEL_SOURCE))
    return tuple(found)


def _crowd(expected: Expected, advice: Advice) -> Check:
    strictest = advice.standoffs[0]
    wind = expected.wind.from_rad
    side = "" if wind is None else f", on the side that the wind comes from ({wind / DEG:.0f} degrees)"
    words = f"everybody who only watches stands behind a line at least {advice.standoff_m:g} m from the pad{side}"
    return Check("crowd line", GOOD, words, strictest.source)


def _site(field: Field | None, advice: Advice) -> Check:
    if advice.site is None or advice.site.metres is None:
        return Check(
            "site", UNKNOWN, "no published size of the site is known here for this rocket; ask whoever runs the field", _OWN
        )
    if field is None:
        return Check("site", UNKNOWN, f"{advice.site.words} is asked for; give the outline to check yours", advice.site.source)
    wide_m = breadth_m(field)
    if wide_m >= advice.site.metres:
        return Check(
            "site", GOOD, f"{advice.site.words} is asked for, and yours holds a circle of {wide_m:.0f} m", advice.site.source
        )
    words = f"{advice.site.words} is asked for, and yours holds a circle of {wide_m:.0f} m: take a smaller engine or a larger field"
    return Check("site", WARNING, words, advice.site.source)


def _descent(expected: Expected, field: Field | None) -> Check:
    if expected.carry is None:
        return Check("descent", UNKNOWN, "the drift of the descent needs the wind and the rate of descent", _OWN)
    reach = np.linalg.norm(landings(expected, LANDINGS), axis=1)
    middle_m, far_m = np.quantile(reach, [0.5, 0.95])
    far = f"half of the flights land more than {middle_m:.0f} m from the pad, one in twenty more than {far_m:.0f} m"
    if field is None:
        return Check("descent", UNKNOWN, f"{far}; give the outline to hold it against the field's edge", _OWN)
    outside = float(np.mean(~inside(field, landings(expected, LANDINGS))))
    if outside <= _FEW:
        return Check("descent", GOOD, f"{far}; {100 * outside:.0f} % come down outside the field", _OWN)
    words = f"{far}; {100 * outside:.0f} % come down outside the field: fly in less wind, come down faster, or move the pad upwind"
    return Check("descent", WARNING, words, _OWN)


def _landing_on(expected: Expected, stations: Mapping[str, Vector]) -> list[Check]:
    """Return a warning about observers among the landings to expect; nothing where the wind's direction is unknown."""
    if expected.carry is None or expected.wind.from_rad is None:
        return []
    landed = landings(expected, LANDINGS)
    away = {name: place[:2] - landed.mean(axis=0) for name, place in stations.items()}
    precision = np.linalg.inv(np.cov(landed.T))
    under = [name for name, offset in away.items() if offset @ precision @ offset < HOLDS95**2]
    if not under:
        return []
    who = f"{' and '.join(under)} {'stands' if len(under) == 1 else 'stand'}"
    words = f"{who} where 95 % of the landings are expected: look up until it is down, or stand upwind"
    return [Check("observers", WARNING, words, _OWN)]


def _ballistic(expected: Expected, field: Field | None) -> Check:
    within = f"within {expected.ballistic_m:.0f} m of the pad ({expected.ballistic_words})"
    words = f"a model that comes down without its recovery device falls {within}"
    advice = "nobody in that circle looks elsewhere during a flight, and it is announced aloud"
    if field is not None and edge_distance_m(field, np.zeros((1, 2)))[0] < expected.ballistic_m:
        return Check(
            "ballistic return", WARNING, f"{words}, and the field's edge is nearer: watch what is beyond it; {advice}", _OWN
        )
    return Check("ballistic return", GOOD if field is not None else UNKNOWN, f"{words}; {advice}", _OWN)
