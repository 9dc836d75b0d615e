"""Marks of all stations to flights: time is the main evidence, the unit's flight number the second.

The marks of a day lie on one line of time. A *group* is a run of neighbouring marks that saw one flight. The cheapest way
to cut the line into groups is found for the whole day at once by dynamic programming (a cut is never settled before
everything behind it is known); within a group each station has at most one mark, the others are set aside. A boot of a unit
that never exchanged clocks with a host is first laid onto the line where most of its marks meet those of others.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from apexfix.model import Exclusion
from apexfix.units import SECOND_US

SIGMA_PRESS_S: Final = 0.5  # how far apart two attentive people press for one apex; measured reaction times are 0.2 to 0.4 s
COST_FLIGHT: Final = 12.0  # of assuming one more flight
COST_SET_ASIDE: Final = 8.0  # of holding that a mark is a double or false press
WINDOW_S: Final = 12.0  # marks further apart than this never saw one apex
COINCIDENCE_S: Final = 3.0  # an unclocked boot is laid where its marks meet others within this
COUNTER_WEIGHT: Final = 0.5  # in marks: a flight number that agrees is half as good as a time that agrees
LEAST_AGREEMENT: Final = 0.75  # of a boot's marks must meet others before it is laid among them, unless nothing else comes near
CLEAR_MARGIN: Final = 1.0  # in marks, to the next best place


@dataclass(frozen=True, slots=True)
class Mark:
    """One press of the mark button (or one timed hand reading)."""

    key: str  # names the record for ever
    station: str
    boot: str  # names the clock: unit, log and boot
    t_us: int  # on that clock
    utc_us: int | None  # None where the clock was never compared with a host's
    sigma_s: float  # of utc_us
    counter: int | None  # the unit's flight number


@dataclass(frozen=True, slots=True)
class Match:
    """One flight: which mark of each station saw it."""

    number: int
    utc_us: int | None  # when the stations pressed, on average; None where no clock is known at all
    marks: Mapping[str, Mark]  # station -> mark
    set_aside: tuple[Exclusion, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Alignment:
    """How the marks of a day fall into flights."""

    matches: tuple[Match, ...]
    remarks: tuple[str, ...]


def align(marks: Sequence[Mark]) -> Alignment:
    """Return the flights of a day in the order of time; those whose hour is unknown come first.

    Every mark is in exactly one match, as the station's mark or set aside with a reason. Matches of a single station are
    kept: a flight that only one station saw is still a flight.
    """
    lines, remarks = _lines(marks)
    groups = [(line.clocked, group) for line in lines for group in _cut(sorted(line.marks, key=_time_of))]
    numbers = _numbered([group for _, group in groups])
    matches = [_match(number, group, clocked) for number, (clocked, group) in zip(numbers, groups, strict=True)]
    return Alignment(tuple(_with_counters(matches)), tuple(remarks))


def _time_of(mark: Mark) -> int:
    assert mark.utc_us is not None
    return mark.utc_us


# --- cutting the line of time ---------------------------------------------------------------------------------------


def _cut(marks: Sequence[Mark]) -> list[list[Mark]]:
    """Return the cheapest grouping of marks that are sorted by time."""
    best = [0.0] + [np.inf] * len(marks)
    start_of = [0] * (len(marks) + 1)
    for end in range(1, len(marks) + 1):
        for start in range(end - 1, -1, -1):
            if _time_of(marks[end - 1]) - _time_of(marks[start]) > WINDOW_S * SECOND_US:
                break
            cost = best[start] + _cost(marks[start:end])
            if cost < best[end]:
                best[end], start_of[end] = cost, start
    groups, end = [], len(marks)
    while end > 0:
        groups.append(list(marks[start_of[end] : end]))
        end = start_of[end]
    return groups[::-1]


def _cost(group: Sequence[Mark]) -> float:
    """Minus the log-likelihood, up to a constant, that these marks saw one flight."""
    kept = _kept(group)
    return COST_FLIGHT + COST_SET_ASIDE * (len(group) - len(kept)) + 0.5 * _scatter(list(kept.values()))


def _scatter(marks: Sequence[Mark]) -> float:
    seconds = np.array([_time_of(mark) for mark in marks]) / SECOND_US
    weight = np.array([1.0 / (SIGMA_PRESS_S**2 + mark.sigma_s**2) for mark in marks])
    return float(np.sum(weight * (seconds - np.average(seconds, weights=weight)) ** 2))


def _kept(group: Sequence[Mark]) -> dict[str, Mark]:
    """Return one mark a station: of several, the one nearest to the median of the stations that pressed once.

    Where every station pressed more than once, the median of all serves. Of two equally near, the later is kept: people press again
    to mend a press.
    """
    by_station: dict[str, list[Mark]] = defaultdict(list)
    for mark in group:
        by_station[mark.station].append(mark)
    single = [own[0] for own in by_station.values() if len(own) == 1] or group
    middle = float(np.median([_time_of(mark) for mark in single]))
    return {station: min(own, key=lambda m: (abs(_time_of(m) - middle), -_time_of(m))) for station, own in by_station.items()}


def _match(number: int, group: Sequence[Mark], clocked: bool) -> Match:
    kept = _kept(group)
    middle = round(float(np.mean([_time_of(mark) for mark in kept.values()])))
    aside = tuple(
        Exclusion(mark.station, "mark", _why_aside(mark, kept[mark.station]))
        for mark in group
        if mark.key != kept[mark.station].key
    )
    return Match(number, middle if clocked else None, kept, aside, tuple(_remarks(kept, middle)))


def _why_aside(mark: Mark, kept: Mark) -> str:
    apart = _apart((_time_of(mark) - _time_of(kept)) / SECOND_US)
    return f"pressed again: this press came {apart} the one that fits the other stations"


def _apart(later_s: float) -> str:
    return f"{abs(later_s):.1f} s {'after' if later_s > 0 else 'before'}"


def _remarks(kept: Mapping[str, Mark], middle: int) -> list[str]:
    late = [(station, (_time_of(mark) - middle) / SECOND_US) for station, mark in sorted(kept.items())]
    return [f"station {s} pressed {_apart(d)} the others" for s, d in late if abs(d) > COINCIDENCE_S]


def _with_counters(matches: Sequence[Match]) -> list[Match]:
    """Return the matches with a remark where a station's counter begins to differ from the flight's number."""
    ahead: dict[str, int] = defaultdict(int)
    told = []
    for match in matches:
        remarks = []
        for station, mark in sorted(match.marks.items()):
            if mark.counter is None or mark.counter - match.number == ahead[station]:
                continue
            ahead[station] = mark.counter - match.number
            remarks.append(_counted(station, mark.counter, match.number))
        told.append(replace(match, remarks=match.remarks + tuple(remarks)))
    return told


def _counted(station: str, counter: int, number: int) -> str:
    if counter == number:
        return f"station {station} counts right again from this flight on"
    return f"station {station} counted this as its flight {counter}, by its time it is flight {number}; its next ones differ alike"


# --- names of the flights -------------------------------------------------------------------------------------------


def _numbered(groups: Sequence[Sequence[Mark]]) -> list[int]:
    """Return strictly rising flight numbers that agree with as many counters as possible.

    Ties go to the smaller numbers, so that without any counter the flights are 1, 2, 3, ...
    """
    votes = [Counter(m.counter for m in _kept(group).values() if m.counter is not None) for group in groups]
    highest = len(groups) + max((n for vote in votes for n in vote), default=0)
    score = np.full((len(groups) + 1, highest + 1), -np.inf)  # [k, n]: the best total with flight k-1 numbered n or lower
    score[0] = 0.0
    for k, vote in enumerate(votes, start=1):
        for n in range(1, highest + 1):
            score[k, n] = max(score[k, n - 1], score[k - 1, n - 1] + vote.get(n, 0))
    numbers, n = [], highest
    for k in range(len(groups), 0, -1):
        while score[k, n - 1] == score[k, n]:
            n -= 1
        numbers.append(n)
        n -= 1
    return numbers[::-1]


# --- boots without a clock ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Line:
    """Marks on one line of time; its zero is the host's where the line is clocked, else that of one boot."""

    clocked: bool
    marks: tuple[Mark, ...]


def _lines(marks: Sequence[Mark]) -> tuple[list[_Line], list[str]]:
    """Return the marks on as few lines of time as they support, the clocked one last, and remarks on every boot that was placed.

    A boot without a clock joins a line where its marks meet those of other stations. Boots that meet no clocked mark (the units
    were switched off before they were pulled, or these are records of an earlier day) make lines of their own.
    """
    boots: dict[str, list[Mark]] = defaultdict(list)
    for mark in marks:
        if mark.utc_us is None:
            boots[mark.boot].append(mark)
    waiting = sorted(boots.values(), key=lambda own: (-len(own), own[0].boot))
    clocked, waiting, remarks = _gathered([mark for mark in marks if mark.utc_us is not None], waiting)
    lines = [_Line(True, tuple(clocked))]
    while waiting:
        base, *waiting = waiting
        remarks.append(f"{base[0].boot} never compared its clock with a computer's: the hour of its flights is unknown")
        line, waiting, more = _gathered([replace(mark, utc_us=mark.t_us, sigma_s=0.0) for mark in base], waiting)
        lines.append(_Line(False, tuple(line)))
        remarks += more
    return lines[::-1], remarks


def _gathered(line: list[Mark], waiting: Sequence[list[Mark]]) -> tuple[list[Mark], list[list[Mark]], list[str]]:
    """Return a line with every boot laid onto it that meets it, the boots that do not, and remarks."""
    left, remarks = [], []
    for own in waiting:
        place = _place(own, [mark for mark in line if mark.station != own[0].station])
        if place is None:
            left.append(own)
        else:
            offset_us, remark = place
            line = line + [replace(mark, utc_us=mark.t_us + offset_us, sigma_s=SIGMA_PRESS_S) for mark in own]
            remarks.append(f"{own[0].boot} never compared its clock with a computer's: {remark}")
    return line, left, remarks


def _place(own: Sequence[Mark], others: Sequence[Mark]) -> tuple[int, str] | None:
    """Return what to add to a boot's time so that most of its marks meet those of other stations, with a sentence about it.

    None where too few meet to call it a meeting: any single mark can be laid on any other.
    """
    candidates = np.array([_time_of(other) - mark.t_us for mark in own for other in others])
    if not len(candidates):
        return None
    scores = np.array([_agreement(own, others, int(offset)) for offset in candidates])
    best = int(np.argmax(scores))
    near = np.abs(candidates - candidates[best]) < COINCIDENCE_S * SECOND_US
    margin = scores[best] - np.max(scores[~near], initial=0.0)
    if scores[best] < LEAST_AGREEMENT * len(own) and margin < CLEAR_MARGIN:
        return None
    sure = "" if margin >= CLEAR_MARGIN else "; another place fits nearly as well, check these marks"
    remark = f"its {len(own)} marks were placed where they meet the other stations' (margin {margin:.1f} marks){sure}"
    return round(float(np.median(candidates[near]))), remark


def _agreement(own: Sequence[Mark], others: Sequence[Mark], offset_us: int) -> float:
    """Return how many marks meet another within the coincidence, plus half a mark where the flight numbers agree too."""
    total = 0.0
    for mark in own:
        met = [o for o in others if abs(mark.t_us + offset_us - _time_of(o)) < COINCIDENCE_S * SECOND_US]
        total += bool(met) + COUNTER_WEIGHT * any(mark.counter is not None and o.counter == mark.counter for o in met)
    return total
