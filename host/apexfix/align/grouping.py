"""Marks on one line of time into groups that saw one flight each.

A *group* is a run of neighbouring marks; of each station at most one mark is kept. The cost of a group is minus the logarithm
of its probability under a plain model of a launch day (the constants below), so costs of different explanations can be
compared, and a margin of m means odds of e^m to one. The cheapest grouping of the whole line is found by dynamic programming,
forwards and backwards, which gives the next best explanation of every mark as well.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from math import exp, inf, log, pi, sqrt
from typing import Final

from apexfix.align.mark import Mark
from apexfix.units import SECOND_US, US

# The model of a launch day. Common practice, not measured: a flight every ten minutes, one press in twenty missed, pressed twice,
# or pressed for no flight.
SIGMA_PRESS_S: Final = 0.5  # how far from the apex attentive people press; measured reaction times are 0.2 to 0.4 s
WINDOW_S: Final = 12.0  # marks further apart than this never saw one apex
LATE_SHARE: Final = 0.03  # of presses come anywhere within the window
SPACING_S: Final = 600.0
COST_FLIGHT: Final = log(SPACING_S)
COST_MISSED: Final = log(20.0)
COST_ABSENT: Final = log(2.0)  # for each flight before a station's first mark on the line or after its last
# a press for no flight, held to be five times rarer than it is: a lost flight is worse than an empty one
COST_STRAY: Final = log(100.0 * SPACING_S)
COST_DOUBLE: Final = log(20.0 * WINDOW_S)  # a second press for the same flight
COST_MENDED: Final = log(3.0)  # that the later one is right: people press again because they are not sure of the first
COST_COUNTED_ON: Final = 4.0  # a second press for the same flight with another flight number: a backsight came between the two
COST_COUNTER: Final = 1.5  # a kept mark whose flight number differs: counters are wrong about once in five times
_MOST_OF_ONE: Final = 4  # marks of one station in one run that are tried as the right one
_TIE: Final = 1e-9


Meaning = tuple[str, frozenset[str]]  # of one mark: its role, and the keys of the marks that it met
_Crew = tuple[frozenset[str], int]  # stations at work, and how many others of the day were not


@dataclass(frozen=True, slots=True)
class Group:
    """Marks that saw one flight; or one mark alone, which may have seen a flight or none."""

    kept: Mapping[str, Mark]  # station -> mark
    doubles: tuple[Mark, ...]
    expected: frozenset[str]  # stations at work at that time
    absent: int  # stations of the day that were not
    margins: Mapping[str, float]  # key of each mark -> cost of its next best explanation, less the cost of this one


@dataclass(frozen=True, slots=True)
class Line:
    """Marks with times on one clock, and the cheapest way to group them."""

    cost: float
    groups: tuple[Group, ...]  # in the order of time


@dataclass(frozen=True, slots=True)
class _Reading:
    """One way to explain the marks of a run: what is kept (nothing: the mark is alone), doubled, or a stray among the others."""

    cost: float
    kept: tuple[Mark, ...]
    doubles: tuple[Mark, ...]
    strays: tuple[Mark, ...]


def time_of(mark: Mark) -> int:
    """Return the time of a mark that was put on a line."""
    assert mark.utc_us is not None
    return mark.utc_us


def line_of(marks: Sequence[Mark], stations: int) -> Line:
    """Return the cheapest grouping of marks that all have a time, on a day of so many stations."""
    ordered = sorted(marks, key=lambda mark: (time_of(mark), mark.log, mark.sequence))
    span: dict[str, tuple[int, int]] = {}
    for mark in ordered:
        span[mark.station] = (span.get(mark.station, (time_of(mark), 0))[0], time_of(mark))
    solved = [_solved(cluster, _crew(cluster, span, stations)) for cluster in _clusters(ordered)]
    return Line(sum(cost for cost, _ in solved), tuple(group for _, groups in solved for group in groups))


def lone_costs(group: Group) -> tuple[float, float]:
    """Return the cost of taking a mark that stands alone for a flight, and for a press by mistake."""
    return _flight_cost(group.kept.keys(), (group.expected, group.absent)), COST_STRAY


def met(groups: Iterable[Group]) -> dict[str, Meaning]:
    """Return what groups say of every mark: its role, and the keys of the marks that it met."""
    readings = (_Reading(0.0, tuple(group.kept.values()), group.doubles, ()) for group in groups)
    return {key: meaning for reading in readings for key, meaning in _meanings(reading)}


def differ(one: Meaning, other: Meaning) -> bool:
    """Return whether two groupings explain a mark differently: in another role, or with none of the marks that it met."""
    return one[0] != other[0] or (one[0] == "kept" and not one[1] & other[1])


def middle_us(marks: Sequence[Mark]) -> int:
    """Return when the flight was that these marks saw: most of them, where one came late."""
    return round(_centre(marks)[1] * SECOND_US) + time_of(marks[0])


def _clusters(ordered: Sequence[Mark]) -> Iterator[tuple[Mark, ...]]:
    """Yield stretches of marks without a gap that is wider than any flight's."""
    start = 0
    for at in range(1, len(ordered) + 1):
        if at == len(ordered) or time_of(ordered[at]) - time_of(ordered[at - 1]) > _window_us(ordered[at - 1], ordered[at]):
            yield tuple(ordered[start:at])
            start = at


def _window_us(earlier: Mark, later: Mark) -> float:
    return (WINDOW_S + 2.0 * (earlier.sigma_s + later.sigma_s)) * SECOND_US


def _crew(cluster: tuple[Mark, ...], span: Mapping[str, tuple[int, int]], stations: int) -> _Crew:
    """Return the stations that were at work: between the first and the last mark of their own."""
    first, last = time_of(cluster[0]), time_of(cluster[-1])
    expected = frozenset(station for station, (begin, end) in span.items() if begin <= last and end >= first)
    return expected, stations - len(expected)


@lru_cache(maxsize=4096)
def _solved(marks: tuple[Mark, ...], crew: _Crew) -> tuple[float, tuple[Group, ...]]:
    """Return the cheapest grouping of a cluster. Most clusters stay as they are while a boot is tried at many places: cached."""
    runs = {(i, j): list(_readings(marks[i:j], crew)) for i, j in _spans(marks)}
    cheapest = {span: min(reading.cost for reading in readings) for span, readings in runs.items()}
    before, after = _swept(cheapest, len(marks)), _swept_back(cheapest, len(marks))
    chosen = _chosen(runs, before, len(marks))
    margins = _margins(runs, (before, after), chosen)
    return before[-1], tuple(_groups(chosen, crew, margins))


def _spans(marks: Sequence[Mark]) -> Iterator[tuple[int, int]]:
    for i, first in enumerate(marks):
        for j in range(i + 1, len(marks) + 1):
            if time_of(marks[j - 1]) - time_of(first) > _window_us(first, marks[j - 1]):
                break
            yield i, j


def _swept(cheapest: Mapping[tuple[int, int], float], count: int) -> list[float]:
    best = [0.0] + [inf] * count
    for (i, j), cost in sorted(cheapest.items(), key=lambda item: item[0][1]):
        best[j] = min(best[j], best[i] + cost)
    return best


def _swept_back(cheapest: Mapping[tuple[int, int], float], count: int) -> list[float]:
    best = [inf] * count + [0.0]
    for (i, j), cost in sorted(cheapest.items(), key=lambda item: -item[0][0]):
        best[i] = min(best[i], best[j] + cost)
    return best


def _chosen(runs: Mapping[tuple[int, int], list[_Reading]], before: Sequence[float], count: int) -> list[_Reading]:
    found: list[_Reading] = []
    end = count
    while end > 0:
        ways = ((before[i] + r.cost, i, r) for (i, j), readings in runs.items() if j == end for r in readings)
        _, end, reading = next(way for way in ways if way[0] <= before[end] + _TIE)
        found.append(reading)
    return found[::-1]


def _groups(chosen: Sequence[_Reading], crew: _Crew, margins: Mapping[str, float]) -> Iterator[Group]:
    pairs = [(reading.kept, reading.doubles) for reading in chosen] + [((mark,), ()) for r in chosen for mark in r.strays]
    for kept, doubles in sorted(pairs, key=lambda pair: min(time_of(mark) for mark in pair[0])):
        own = {mark.key: margins[mark.key] for mark in kept + doubles}
        yield Group({mark.station: mark for mark in kept}, doubles, *crew, own)


# --- margins --------------------------------------------------------------------------------------------------------

def _meanings(reading: _Reading) -> Iterator[tuple[str, Meaning]]:
    keys = frozenset(mark.key for mark in reading.kept)
    for mark in reading.kept:
        yield mark.key, ("kept" if len(keys) > 1 else "alone", keys - {mark.key})
    for mark in reading.doubles:
        yield mark.key, ("double", frozenset())
    for mark in reading.strays:
        yield mark.key, ("alone", frozenset())


def _margins(
    runs: Mapping[tuple[int, int], list[_Reading]], swept: tuple[list[float], list[float]], chosen: Sequence[_Reading]
) -> dict[str, float]:
    """Return for every mark how much more the cheapest grouping costs in which it has another meaning."""
    before, after = swept
    held = {key: meaning for reading in chosen for key, meaning in _meanings(reading)}
    margins = dict.fromkeys(held, inf)
    for (i, j), readings in runs.items():
        outside = before[i] + after[j] - before[-1]
        for reading in readings:
            for key, meaning in _meanings(reading):
                if differ(meaning, held[key]):
                    margins[key] = min(margins[key], max(outside + reading.cost, 0.0))
    return margins


# --- the cost of one run --------------------------------------------------------------------------------------------


def _readings(run: Sequence[Mark], crew: _Crew) -> Iterator[_Reading]:
    """Yield the ways in which a run is one flight (with doubles and strays in it), or one mark alone."""
    if len(run) == 1:
        alone = Group({run[0].station: run[0]}, (), *crew, {})
        yield _Reading(min(lone_costs(alone)), tuple(run), (), ())
        return
    by_station: dict[str, list[Mark]] = defaultdict(list)
    for mark in run:
        by_station[mark.station].append(mark)
    options = [[*_tried(own, run), None] for own in by_station.values()]
    for choice in product(*options):
        kept = tuple(mark for mark in choice if mark is not None)
        # one mark alone is a run of its own, unless it was pressed twice
        if len(kept) > 1 or (kept and len(by_station) == 1):
            yield _reading(run, kept, crew)


def _tried(own: Sequence[Mark], run: Sequence[Mark]) -> Sequence[Mark]:
    if len(own) <= _MOST_OF_ONE:
        return own
    times = sorted(time_of(mark) for mark in run if mark.station != own[0].station) or [time_of(own[0])]
    return sorted(own, key=lambda mark: abs(time_of(mark) - times[len(times) // 2]))[:_MOST_OF_ONE]


def _reading(run: Sequence[Mark], kept: tuple[Mark, ...], crew: _Crew) -> _Reading:
    chosen = {mark.station: mark for mark in kept}
    others = [mark for mark in run if mark is not chosen.get(mark.station)]
    doubles = tuple(mark for mark in others if mark.station in chosen)
    strays = tuple(mark for mark in others if mark.station not in chosen)
    cost = _flight_cost(chosen.keys(), crew) + _centre(kept)[0] + _disagreement(kept)
    cost += sum(_double(mark, chosen[mark.station]) for mark in doubles) + COST_STRAY * len(strays)
    return _Reading(cost, kept, doubles, strays)


def _flight_cost(kept: Set[str], crew: _Crew) -> float:
    expected, absent = crew
    return COST_FLIGHT + COST_MISSED * len(expected - kept) + COST_ABSENT * absent


def _double(mark: Mark, kept: Mark) -> float:
    counted_on = mark.boot == kept.boot and mark.counter != kept.counter
    return COST_DOUBLE + COST_COUNTED_ON * counted_on + COST_MENDED * (time_of(kept) > time_of(mark))


def _disagreement(kept: Sequence[Mark]) -> float:
    counters = Counter(mark.counter for mark in kept if mark.counter is not None)
    return COST_COUNTER * (counters.total() - max(counters.values(), default=0))


def _centre(kept: Sequence[Mark]) -> tuple[float, float]:
    """Return the cost of the times of marks that saw one flight, and its time in seconds after the first of them.

    Each press is normal about the flight's time, or, now and then, anywhere in the window. The time is integrated out by
    Laplace's method about the best of the peaks.
    """
    origin = time_of(kept[0])
    seconds = [(time_of(mark) - origin) * US for mark in kept]
    variance = [SIGMA_PRESS_S**2 + mark.sigma_s**2 for mark in kept]
    best = (inf, 0.0)
    for start in seconds:
        centre = start
        for _ in range(2):
            weights = [_timely(t - centre, v) / v for t, v in zip(seconds, variance, strict=True)]
            centre = sum(w * t for w, t in zip(weights, seconds, strict=True)) / sum(weights)
        cost = sum(_press(t - centre, v) for t, v in zip(seconds, variance, strict=True)) - 0.5 * log(2 * pi / sum(weights))
        if cost < best[0] - _TIE:
            best = (cost, centre)
    return best


def _press(late_s: float, variance_s2: float) -> float:
    timely = (1 - LATE_SHARE) * exp(-0.5 * late_s**2 / variance_s2) / sqrt(2 * pi * variance_s2)
    return -log(timely + LATE_SHARE / (2 * WINDOW_S))


def _timely(late_s: float, variance_s2: float) -> float:
    """Return how probable it is that a press was not one of those that come anywhere in the window."""
    timely = (1 - LATE_SHARE) * exp(-0.5 * late_s**2 / variance_s2) / sqrt(2 * pi * variance_s2)
    return timely / (timely + LATE_SHARE / (2 * WINDOW_S))


def moved(mark: Mark, offset_us: int, sigma_s: float) -> Mark:
    """Return a mark with a time on the line on which the zero of its clock lies at the offset."""
    return replace(mark, utc_us=mark.t_us + offset_us, sigma_s=sigma_s)
