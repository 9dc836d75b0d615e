"""Boots whose clock was never compared with a host's, laid onto a line of time where their marks meet those of others.

Every place is judged by the cost of the whole line with the boot on it, against the cost of leaving the boot on a line of its own
(records of an earlier day). A unit's log is in order: a boot lies between the marks of that log before it and after it.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt
from typing import Final

import numpy as np

from apexfix.align.grouping import COST_FLIGHT, SIGMA_PRESS_S, WINDOW_S, line_of, moved, time_of
from apexfix.align.mark import Mark
from apexfix.model import Stamps, Vector
from apexfix.units import SECOND_US, US

COINCIDENCE_S: Final = 3.0  # places nearer together than this are one place
COST_OTHER_DAY: Final = 3.0  # that a boot's marks are of an earlier day, and meet nothing that other units still hold
COST_EARLIER_BUT_LATER: Final = 20.0  # the same where its log holds marks of today before it
_PLACES_TRIED: Final = 8
SURE_MARGIN: Final = 5.0
_LOOK_S: Final = 0.7  # in the quick look: how near two marks must be to meet, 2 sigma of a press apart
_COUNTED_ALIKE: Final = 0.25  # in the quick look: what an equal flight number adds to a meeting


_Given = tuple[Mapping[str, frozenset[str]], int]  # what a person holds to have met, and the number of stations of the day


@dataclass(frozen=True, slots=True)
class Laid:
    """The marks of a day on as few lines as they support."""

    lines: tuple[tuple[bool, tuple[Mark, ...]], ...]  # (whether its time is UTC, marks); the line in UTC is the first
    margins: Mapping[str, float]  # boot that was placed -> cost of its next best place, less the cost of this one
    others: tuple[tuple[float, tuple[tuple[Mark, ...], ...]], ...]  # (margin, lines) with one boot at its next best place
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Place:
    """A place for a boot: a line, and the zero of the boot's clock on it. Line None: a line of its own."""

    line: int | None
    offset_us: int
    cost: float  # less that of leaving the boot away


def laid(marks: Sequence[Mark], meets: Mapping[str, frozenset[str]]) -> Laid:
    """Return all marks on lines.

    Parameters
    ----------
    meets : mapping
        Key of a mark -> keys of marks, one of which a person holds to have seen the same flight.
    """
    given = (meets, len({mark.station for mark in marks}))
    lines: list[list[Mark]] = [[mark for mark in marks if mark.utc_us is not None]]
    boots: dict[str, list[Mark]] = defaultdict(list)
    for mark in marks:
        if mark.utc_us is None:
            boots[mark.boot].append(mark)
    waiting = sorted((sorted(own, key=lambda m: m.sequence) for own in boots.values()), key=lambda own: (-len(own), own[0].boot))
    # at first only what is sure: an earlier day's boots must not be drawn to today's before they see each other
    for own in waiting:
        places = _ranked(own, lines[:1], given)
        sure = len(places) == 1 or places[1].cost - places[0].cost > SURE_MARGIN
        _lay(lines, own, places[0] if sure else _Place(None, 0, 0.0))
    _sweep(lines, waiting, given)
    joined = _joined(lines, given)
    choices = _sweep(lines, waiting, given)
    margins = {boot: min(_margin(places), joined.get(boot, inf)) for boot, places in choices.items()}
    others = [(margins[own[0].boot], _elsewhere(lines, own, choices[own[0].boot])) for own in waiting]
    kept = tuple((number == 0, tuple(line)) for number, line in enumerate(lines) if line)
    return Laid(kept, margins, tuple(pair for pair in others if pair[1]), tuple(_remarks(kept, waiting, margins)))


def _sweep(lines: list[list[Mark]], waiting: Sequence[Sequence[Mark]], given: _Given) -> dict[str, tuple[_Place, ...]]:
    """Lay each boot where it fits best among all others, and return the places of each."""
    choices = {}
    for own in waiting:
        _lift(lines, own)
        choices[own[0].boot] = _ranked(own, lines, given)
        _lay(lines, own, choices[own[0].boot][0])
    return choices


def _joined(lines: list[list[Mark]], given: _Given) -> dict[str, float]:
    """Lay whole lines onto others where they fit, and return for each of their boots by how much.

    Boots that found each other are too few, one by one, to leave for a line where they belong together.
    """
    margins: dict[str, float] = {}
    for number in sorted(range(1, len(lines)), key=lambda n: -len(lines[n])):
        if len({mark.boot for mark in lines[number]}) < 2:
            continue
        block = sorted((replace(mark, t_us=time_of(mark)) for mark in lines[number]), key=time_of)
        places = _ranked(block, [[] if n == number else line for n, line in enumerate(lines)], given)
        for mark in block:
            margins[mark.boot] = min(margins.get(mark.boot, inf), _margin(places))
        if places[0].line is not None:
            own_t = {mark.key: mark.t_us for mark in lines[number]}
            lines[number] = []
            _lay(lines, block, places[0])
            lines[places[0].line] = [replace(mark, t_us=own_t.get(mark.key, mark.t_us)) for mark in lines[places[0].line]]
    return margins


def _margin(places: Sequence[_Place]) -> float:
    return places[1].cost - places[0].cost if len(places) > 1 else inf


def _elsewhere(lines: Sequence[Sequence[Mark]], own: Sequence[Mark], places: Sequence[_Place]) -> tuple[tuple[Mark, ...], ...]:
    """Return the lines with a boot at its next best place; none where it has no other."""
    if len(places) < 2:
        return ()
    copied = [list(line) for line in lines]
    _lift(copied, own)
    _lay(copied, own, places[1])
    return tuple(tuple(line) for line in copied if line)


def _lift(lines: list[list[Mark]], own: Sequence[Mark]) -> None:
    """Take a boot off its line; an empty line stays, so that the numbers of the others do."""
    keys = {mark.key for mark in own}
    for number, line in enumerate(lines):
        lines[number] = [mark for mark in line if mark.key not in keys]


def _lay(lines: list[list[Mark]], own: Sequence[Mark], place: _Place) -> None:
    if place.line is None:
        lines.append(_on(own, (), 0))
    else:
        lines[place.line] = [*lines[place.line], *_on(own, lines[place.line], place.offset_us)]


def _on(own: Sequence[Mark], line: Sequence[Mark], offset_us: int) -> list[Mark]:
    """Return the boot's marks on a line; their sigma is that of a mean of differences of two presses each."""
    if not line:
        return [moved(mark, offset_us, 0.0) for mark in own]
    others = np.array([time_of(mark) for mark in line])
    met = sum(bool(np.any(np.abs(others - mark.t_us - offset_us) < COINCIDENCE_S * SECOND_US)) for mark in own)
    return [moved(mark, offset_us, SIGMA_PRESS_S * sqrt(2 / max(met, 1))) for mark in own]


def _ranked(own: Sequence[Mark], lines: Sequence[Sequence[Mark]], given: _Given) -> tuple[_Place, ...]:
    """Return the places of a boot, the cheapest first; where a person settled what it meets, only such places."""
    meets, stations = given
    later = any(mark.log == own[0].log and mark.sequence < own[0].sequence for mark in lines[0])
    other_day = COST_EARLIER_BUT_LATER if later else COST_OTHER_DAY
    # the first flight of a line of its own tells the line's zero, as a meeting tells the zero of a boot on another line
    alone = _Place(None, 0, line_of(_on(own, (), 0), stations).cost - COST_FLIGHT + other_day)
    places = [place for number, line in enumerate(lines) for place in _places(own, (number, line), given)]
    settled = places if any(mark.key in meets for mark in own) else []
    return tuple(sorted(settled or [alone, *places], key=lambda place: place.cost))


def _places(own: Sequence[Mark], numbered: tuple[int, Sequence[Mark]], given: _Given) -> Iterator[_Place]:
    (number, line), (meets, stations) = numbered, given
    if not line:
        return
    low_us, high_us = _bounds(own, line)
    without = line_of(line, stations).cost
    for offset_us in _offsets(own, line, (low_us, high_us), meets):
        cost = line_of([*line, *_on(own, line, offset_us)], stations).cost - without
        yield _Place(number, offset_us, cost)


def _bounds(own: Sequence[Mark], line: Sequence[Mark]) -> tuple[float, float]:
    """Return between which zeros the boot lies by the order of its log, a coincidence of slack on either side."""
    slack_us = COINCIDENCE_S * SECOND_US
    pairs = [(mine, mark) for mark in line for mine in own if mark.log == mine.log]
    low = max((time_of(mark) - mine.t_us for mine, mark in pairs if mark.sequence < mine.sequence), default=-inf)
    high = min((time_of(mark) - mine.t_us for mine, mark in pairs if mark.sequence > mine.sequence), default=inf)
    return low - slack_us, high + slack_us


def _offsets(
    own: Sequence[Mark], others: Sequence[Mark], bounds: tuple[float, float], meets: Mapping[str, frozenset[str]]
) -> Iterator[int]:
    """Yield the most promising zeros of a boot's clock, at least a coincidence apart, by a quick look at what would meet."""
    own_us, others_us = np.array([mark.t_us for mark in own]), np.array([time_of(mark) for mark in others])
    apart = np.array([[other.station != mark.station for other in others] for mark in own])
    differences: Stamps = np.unique((others_us[None, :] - own_us[:, None])[apart])
    allowed = (differences >= bounds[0]) & (differences <= bounds[1])
    for mark in own:
        if mark.key in meets:
            anchors = np.array([time_of(other) for other in others if other.key in meets[mark.key]])
            allowed &= np.any(np.abs(differences[:, None] + mark.t_us - anchors[None, :]) < WINDOW_S * SECOND_US, axis=1)
    differences = differences[allowed]
    scores = _look(differences, own, others)
    for _ in range(min(_PLACES_TRIED, len(differences))):
        if not len(differences):
            return
        best = differences[int(np.argmax(scores))]
        near = np.abs(differences - best) < COINCIDENCE_S * SECOND_US
        yield _refined(int(best), (others_us[None, :] - own_us[:, None])[apart])
        differences, scores = differences[~near], scores[~near]


def _look(offsets_us: Stamps, own: Sequence[Mark], others: Sequence[Mark]) -> Vector:
    """Return for each zero how well the boot's marks meet those of others: soft in time, a little more for equal numbers."""
    apart = np.array([[other.station != mark.station for other in others] for mark in own])
    alike = np.array([[o.counter is not None and o.counter == m.counter for o in others] for m in own])
    others_us, score = np.array([time_of(mark) for mark in others]), np.zeros(len(offsets_us))
    for mark, equal, other in zip(own, alike, apart, strict=True):
        apart_s = (offsets_us[:, None] + mark.t_us - others_us[None, :]) * US
        score += np.max(np.exp(-0.5 * (apart_s / _LOOK_S) ** 2) * other * (1.0 + _COUNTED_ALIKE * equal), axis=1)
    return score


def _refined(offset_us: int, differences: Stamps) -> int:
    return round(float(np.median(differences[np.abs(differences - offset_us) < COINCIDENCE_S * SECOND_US])))


def _remarks(
    lines: Iterable[tuple[bool, tuple[Mark, ...]]], waiting: Iterable[Sequence[Mark]], margins: Mapping[str, float]
) -> Iterator[str]:
    where = {mark.key: (clocked, line) for clocked, line in lines for mark in line}
    for own in waiting:
        clocked, line = where[own[0].key]
        if all(mark.boot == own[0].boot for mark in line):
            told = "its marks meet those of no other station; their hour is unknown, perhaps they are of an earlier day"
        else:
            hour = "" if clocked else ", but the hour is unknown"
            margin = _shown(margins[own[0].boot])
            told = f"its {len(own)} marks were placed where they meet the other stations'{hour} (margin {margin})"
        yield f"{own[0].boot} never compared its clock with a computer's: {told}"


def _shown(margin: float) -> str:
    return "beyond doubt" if margin == inf else f"{margin:.1f}"
