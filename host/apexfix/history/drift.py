"""Which unit or station is off over many days: its mean residual of each day, and whether chance makes such means.

A zero is set anew each day, so that days are what can be counted, not flights. Of many units one is always the worst; the
probabilities are therefore those of Holm's procedure, which holds the chance of one false alarm among all tests at 5 %.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np
from scipy import stats

from apexfix.history.days import Day
from apexfix.model import FlightResult, Residual, Vector, Verdict

QUANTITIES: Final = ("azimuth", "elevation")
LEAST_DAYS: Final = 3
ALARM: Final = 0.05
_LEAST_FOR_A_SLOPE: Final = 4


@dataclass(frozen=True, slots=True)
class DayMean:
    """The residuals of one unit or station on one day, in one quantity."""

    day: Day
    mean_rad: float  # weighted by the stated sigmas
    sigma_rad: float  # of the mean, as stated: without what all readings of the day share
    readings: int


@dataclass(frozen=True, slots=True)
class Question:
    """A test of the means of one unit or station. `probability` is of a value further from zero by chance."""

    asks: str  # "offset": the same error on all days; "drift": one that grows with the date
    value: float  # rad, or rad a day
    sigma: float
    probability: float
    adjusted: float  # for the number of all tests


@dataclass(frozen=True, slots=True)
class Course:
    """One unit or station over the days, in one quantity."""

    who: str
    quantity: str
    days: tuple[DayMean, ...]
    questions: tuple[Question, ...]  # none with fewer than three days


def courses(days: Sequence[Day]) -> tuple[Course, ...]:
    """Return every unit, or station without one, and quantity over the days, with tests that are adjusted for their number."""
    means: dict[tuple[str, str], list[DayMean]] = {}
    for day in days:
        for key, mean in _day_means(day):
            means.setdefault(key, []).append(mean)
    asked = {key: _questions(own) for key, own in means.items()}
    adjusted = iter(holm([question.probability for own in asked.values() for question in own]))
    return tuple(Course(*key, tuple(means[key]), tuple(_adjusted(q, next(adjusted)) for q in asked[key])) for key in means)


def _day_means(day: Day) -> Iterable[tuple[tuple[str, str], DayMean]]:
    seen: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for result in day.result.flights if day.result is not None else ():
        if result.verdict is not Verdict.REJECTED:
            for residual in result.residuals:
                for quantity, value, sigma in _readings(result, residual):
                    seen.setdefault((_who(day, residual.station), quantity), []).append((value, sigma))
    for key, pairs in seen.items():
        value, sigma = np.array(pairs).T
        weight = 1 / sigma**2
        yield key, DayMean(day, float(weight @ value / weight.sum()), 1 / sqrt(float(weight.sum())), len(pairs))


def _readings(result: FlightResult, residual: Residual) -> Iterable[tuple[str, float, float]]:
    """Yield quantity, residual and sigma of the readings that were used."""
    out = {excluded.quantity for excluded in result.excluded if excluded.station == residual.station}
    pairs = ((residual.azimuth_rad, residual.sigma_azimuth_rad), (residual.elevation_rad, residual.sigma_elevation_rad))
    for quantity, (value, sigma) in zip(QUANTITIES, pairs, strict=True):
        if value is not None and sigma and quantity not in out:
            yield quantity, value, sigma


def _who(day: Day, station: str) -> str:
    assert day.result is not None
    unit = day.result.site.station(station).unit
    return f"unit {unit}" if unit else f"station {station}"


def _questions(means: Sequence[DayMean]) -> list[Question]:
    if len(means) < LEAST_DAYS:
        return []
    value = np.array([mean.mean_rad for mean in means])
    found = [_asked("offset", float(value.mean()), float(value.std(ddof=1)) / sqrt(value.size), value.size - 1)]
    dated = [(mean.day.date.toordinal(), mean.mean_rad) for mean in means if mean.day.date is not None]
    if len(dated) >= _LEAST_FOR_A_SLOPE and len({day for day, _ in dated}) > 2:
        found.append(_asked("drift", *_slope(np.array(dated, dtype=float)), len(dated) - 2))
    return found


def _slope(dated: Vector) -> tuple[float, float]:
    """Return the slope of (N, 2) pairs and its standard error."""
    line = stats.linregress(dated[:, 0] - dated[0, 0], dated[:, 1])
    return float(line.slope), float(line.stderr)


def _asked(asks: str, value: float, sigma: float, freedom: int) -> Question:
    # the same mean to the last digit on all days says nothing about chance
    probability = float(2 * stats.t.sf(abs(value) / sigma, freedom)) if sigma > 0 else 1.0
    return Question(asks, value, sigma, probability, probability)


def _adjusted(question: Question, probability: float) -> Question:
    return Question(question.asks, question.value, question.sigma, question.probability, probability)


def holm(probabilities: Sequence[float]) -> list[float]:
    """Return the probabilities adjusted for their number, in the order given.

    Notes
    -----
    Holm, *Scandinavian Journal of Statistics* 6, 1979, 65-70: the smallest times their number, the next times one less, and so on,
    none smaller than one before it and none above 1. It holds whatever the dependence between the tests.

    Examples
    --------
    >>> [round(p, 3) for p in holm([0.01, 0.04, 0.03, 0.005])]
    [0.03, 0.06, 0.06, 0.02]
    """
    order = sorted(range(len(probabilities)), key=lambda n: probabilities[n])
    found, least = [0.0] * len(order), 0.0
    for place, n in enumerate(order):
        least = max(least, min(1.0, probabilities[n] * (len(order) - place)))
        found[n] = least
    return found


def alarms(found: Sequence[Course]) -> tuple[tuple[Course, Question], ...]:
    """Return what chance does not explain, the least likely first."""
    raised = [(course, question) for course in found for question in course.questions if question.adjusted < ALARM]
    return tuple(sorted(raised, key=lambda pair: pair[1].probability))
