"""Numbers for the groups of one line, and with them which of the marks that stand alone saw a flight.

A unit's counter runs beside the true number: what tells is not that they differ, which lasts once it happened, but where their
difference *changes*. It changes for a reason: the observer missed a flight, pressed by mistake, or forgot the backsight after a
flight. The cheapest story of the day is found by a search over groups that remembers the difference of every station and keeps
the best stories of each length.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf, log
from typing import Final

from apexfix.align.grouping import Group, lone_costs

COST_CHANGE: Final = log(20.0)  # a counter begins to differ otherwise than before, for no reason that the marks show
COST_CHANGE_EXPLAINED: Final = log(2.0)  # the same behind a flight that was missed or a press by mistake: every second time
COST_SKIP: Final = log(20.0)  # of leaving out numbers: a flight of which no station has a mark
COST_DIFFERS: Final = 0.05  # for each mark: of two stories that cost the same, that with the units' own numbers
_STORIES: Final = 64  # kept of each length


@dataclass(frozen=True, slots=True)
class Numbered:
    """A number for each group, None where the one mark of the group saw no flight."""

    numbers: tuple[int | None, ...]
    margins: tuple[float, ...]  # for a mark alone: the cost of the other verdict, less the cost of this one; else infinite


@dataclass(frozen=True, slots=True)
class _Story:
    """Numbers for the groups so far."""

    cost: float
    numbers: tuple[int | None, ...]
    highest: int
    ahead: Mapping[str, int]  # station -> its counter less the number, at its last mark
    stumbled: frozenset[str]  # stations that missed a flight or pressed by mistake since


def numbered(groups: Sequence[Group]) -> Numbered:
    """Return strictly rising numbers that agree with the counters as well as they can.

    Without any counter the flights are 1, 2, 3, ... A mark that stands alone is a flight where that costs no more, counters
    included: nothing that may have flown is dropped.
    """
    costs = [_costs(group) for group in groups]
    best = _cheapest(groups, costs)
    margins = [inf] * len(groups)
    for at, (flight, stray) in enumerate(costs):
        if stray < inf:
            other = (flight, inf) if best.numbers[at] is None else (inf, stray)
            margins[at] = max(_cheapest(groups, [*costs[:at], other, *costs[at + 1 :]]).cost - best.cost, 0.0)
    return Numbered(best.numbers, tuple(margins))


def _costs(group: Group) -> tuple[float, float]:
    """Return the cost of being a flight and of being none, beyond what grouping settled."""
    return lone_costs(group) if len(group.kept) == 1 and not group.doubles else (0.0, inf)


def _cheapest(groups: Sequence[Group], costs: Sequence[tuple[float, float]]) -> _Story:
    stories = [_Story(0.0, (), 0, {}, frozenset())]
    for group, (flight, stray) in zip(groups, costs, strict=True):
        longer = [following for story in stories for following in _continued(story, group, (flight, stray))]
        stories = _kept(longer)
    return stories[0]


def _kept(stories: Sequence[_Story]) -> list[_Story]:
    """Return the best stories, of those that will go on alike only the best; a flight before none, small numbers before large."""
    found: dict[tuple[object, ...], _Story] = {}
    for story in sorted(stories, key=_order):
        found.setdefault((story.highest, frozenset(story.ahead.items()), story.stumbled), story)
    return list(found.values())[:_STORIES]


def _order(story: _Story) -> tuple[float, list[tuple[bool, int]]]:
    return round(story.cost, 9), [(number is None, number or 0) for number in story.numbers]


def _continued(story: _Story, group: Group, costs: tuple[float, float]) -> Iterator[_Story]:
    flight, stray = costs
    if stray < inf:
        stumbled = story.stumbled.union(group.kept)
        yield _Story(story.cost + stray, (*story.numbers, None), story.highest, story.ahead, stumbled)
    if flight < inf:
        for number in _candidates(story, group):
            yield _as_flight(story, group, number, flight)


def _candidates(story: _Story, group: Group) -> Iterator[int]:
    """Yield the next number, and those with which some counter agrees, or differs as before."""
    counters = {s: mark.counter for s, mark in group.kept.items() if mark.counter is not None}
    agreeing = set(counters.values()) | {counter - story.ahead.get(station, 0) for station, counter in counters.items()}
    yield from sorted({story.highest + 1} | {number for number in agreeing if number > story.highest})


def _as_flight(story: _Story, group: Group, number: int, cost: float) -> _Story:
    ahead, stumbled = dict(story.ahead), set(story.stumbled.union(group.expected.difference(group.kept)))
    cost += story.cost + (COST_SKIP if number > story.highest + 1 and story.numbers else 0.0)
    for station, mark in group.kept.items():
        if mark.counter is None:
            continue
        differs = mark.counter - number
        if differs != ahead.get(station, 0):
            cost += COST_CHANGE_EXPLAINED if station in stumbled else COST_CHANGE
        cost += COST_DIFFERS * (differs != 0)
        ahead[station] = differs
        stumbled.discard(station)
    return _Story(cost, (*story.numbers, number), number, ahead, frozenset(stumbled))
