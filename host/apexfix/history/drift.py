"""Which unit or station is off over many days: how far it reads from all others on each day, and whether chance does that.

A zero is set anew each day, so that days are what can be counted, not flights. Of many units one is always the worst; the
probabilities are therefore those of Holm's procedure, which holds the chance of one false alarm among all tests at 5 %.

Readings that were left out of a fix are counted too: an instrument that is off is accused in flight after flight, and without them
it would look the better the worse it is. The median of a day keeps a single blunder from making it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import pi, sqrt
from typing import Final

import numpy as np
from scipy.special import stdtr

from apexfix.history.days import Day
from apexfix.history.others import apart_from_others
from apexfix.model import Site, Vector

LEAST_DAYS: Final = 3
ALARM: Final = 0.05
_LEAST_FOR_A_SLOPE: Final = 4


@dataclass(frozen=True, slots=True)
class DayMedian:
    """How far one unit or station read from all others on one day, in one quantity."""

    day: Day
    median_rad: float
    sigma_rad: float  # of the median, by the stated sigmas of the readings
    readings: int


@dataclass(frozen=True, slots=True)
class Question:
    """A test of the means of one unit or station. `probability` is of a value further from zero by chance."""

    asks: str  # "offset": the same error on all days; "drift": one that grows with the date
    value: float  # rad, or rad a day
    sigma: float  # as the days scatter about it
    stated_sigmas: float  # the value in sigmas as stated: of several instruments that seem off, the culprit has the most
    probability: float
    adjusted: float  # for the number of all tests


@dataclass(frozen=True, slots=True)
class Course:
    """One unit or station over the days, in one quantity."""

    who: str
    quantity: str
    days: tuple[DayMedian, ...]
    questions: tuple[Question, ...]  # none with fewer than three days


def courses(days: Sequence[Day]) -> tuple[Course, ...]:
    """Return every unit, or station without one, and quantity over the days, with tests that are adjusted for their number."""
    means: dict[tuple[str, str], list[DayMedian]] = {}
    for day in days:
        for key, median in _day_medians(day):
            means.setdefault(key, []).append(median)
    asked = {key: _questions(own) for key, own in means.items()}
    adjusted = iter(holm([question.probability for own in asked.values() for question in own]))
    return tuple(Course(*key, tuple(means[key]), tuple(_adjusted(q, next(adjusted)) for q in asked[key])) for key in means)


def _day_medians(day: Day) -> Iterable[tuple[tuple[str, str], DayMedian]]:
    seen: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for result in day.alone:
        assert day.result is not None
        for apart in apart_from_others(day.result.site, result):
            seen.setdefault((_who(day.result.site, apart.station), apart.quantity), []).append((apart.value_rad, apart.sigma_rad))
    for key, pairs in seen.items():
        value, sigma = np.array(pairs).T
        # the median of more than two normal values has up to pi / 2 times the variance of their mean
        spread = sqrt((pi / 2 if value.size > 2 else 1.0) / float((1 / sigma**2).sum()))
        yield key, DayMedian(day, weighted_median(value, 1 / sigma**2), spread, len(pairs))


def weighted_median(value: Vector, weight: Vector) -> float:
    """Return the value that has half of the weight on either side, between two values where it falls between them.

    Examples
    --------
    >>> weighted_median(np.array([3.0, 1.0, 2.0]), np.ones(3))
    2.0
    >>> round(weighted_median(np.array([1.0, 9.0]), np.array([1.0, 1e-6])), 6)
    1.000008
    """
    order = np.argsort(value)
    middle = (np.cumsum(weight[order]) - weight[order] / 2) / weight.sum()
    return float(np.interp(0.5, middle, value[order]))


def _who(site: Site, station: str) -> str:
    unit = site.station(station).unit
    return f"unit {unit}" if unit else f"station {station}"


def _questions(means: Sequence[DayMedian]) -> list[Question]:
    if len(means) < LEAST_DAYS:
        return []
    found = [_asked("offset", np.ones((len(means), 1)), means)]
    dated = [(median, median.day.date.toordinal()) for median in means if median.day.date is not None]
    if len(dated) >= _LEAST_FOR_A_SLOPE and len({at for _, at in dated}) > 2:
        at = np.array([at for _, at in dated], dtype=float)
        design = np.stack([np.ones_like(at), at - at.mean()], axis=1)
        found.append(_asked("drift", design, [median for median, _ in dated]))
    return found


def _asked(asks: str, design: Vector, means: Sequence[DayMedian]) -> Question:
    """Return the last coefficient of a weighted regression, with the sigma that the scatter of the days about it makes."""
    sigma = np.array([median.sigma_rad for median in means])
    rows, read = design / sigma[:, None], np.array([median.median_rad for median in means]) / sigma
    inverse = np.linalg.inv(rows.T @ rows)
    found = inverse @ rows.T @ read
    freedom = len(means) - design.shape[1]
    scatter = float(((read - rows @ found) ** 2).sum()) / freedom
    value, own = float(found[-1]), sqrt(float(inverse[-1, -1]))
    spread = own * sqrt(scatter)
    # the same figure to the last digit on all days says nothing about chance
    probability = float(2 * stdtr(freedom, -abs(value) / spread)) if spread > 0 else 1.0
    return Question(asks, value, spread, abs(value) / own, probability, probability)


def _adjusted(question: Question, probability: float) -> Question:
    return replace(question, adjusted=probability)


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
    """Return what chance does not explain, the likeliest culprit first."""
    raised = [(course, question) for course in found for question in course.questions if question.adjusted < ALARM]
    return tuple(sorted(raised, key=lambda pair: -pair[1].stated_sigmas))
