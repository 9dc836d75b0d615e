"""The whole day: marks to lines, lines to groups, groups to flights; and on top what a person settled."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from math import inf
from typing import Final

from apexfix.align.grouping import Group, differ, line_of, met, middle_us, time_of
from apexfix.align.mark import Alignment, Mark, Match, Placed
from apexfix.align.numbering import numbered
from apexfix.align.placing import COINCIDENCE_S, Laid, laid
from apexfix.model import Exclusion
from apexfix.units import SECOND_US

CLEAR_MARGIN: Final = 5.0  # nats: below this, about one chance in 150, a person should look
Settled = Mapping[str, int | None]  # name of a mark -> the flight that a person gave it, None to set it aside


def align(marks: Sequence[Mark], settled: Settled | None = None) -> Alignment:
    """Return the flights of a day, and the place of every mark.

    What a person settled moves that mark alone; the numbers of the flights stay as they were, so that undoing gives back what
    was. A settled mark of a boot without a clock does more: the boot is laid where that mark meets its flight.
    """
    settled = settled or {}
    seen, remarks = _judged(marks, {})
    meets = _meets(seen, settled, {mark.key for mark in marks if mark.utc_us is None})
    if meets:
        seen, remarks = _judged(marks, meets)
    seen = _overlaid(seen, settled)
    unknown = sorted(settled.keys() - {mark.name for mark in marks})
    remarks += [f"a person settled mark {name}, which is not among the marks of this day" for name in unknown]
    matches = _with_counters(_matches(seen))
    return Alignment(tuple(matches), tuple(seen), tuple(remarks + _told(seen)))


def _judged(marks: Sequence[Mark], meets: Mapping[str, frozenset[str]]) -> tuple[list[Placed], list[str]]:
    found, stations = laid(marks, meets), len({mark.station for mark in marks})
    seen: list[tuple[bool, list[Placed]]] = []
    taken: set[int] = set()
    for clocked, line in found.lines:
        groups = line_of(line, stations).groups
        given = numbered(groups)
        numbers = _beside(given.numbers, taken)
        taken |= {number for number in numbers if number is not None}
        here: list[Placed] = []
        for group, number, margin in zip(groups, numbers, given.margins, strict=True):
            here += [replace(place, clocked=clocked) for place in _places(group, number, (margin, found.margins))]
        seen.append((clocked, here))
    flat = [one for _, here in sorted(seen, key=lambda item: item[0]) for one in here]
    return _shaken(flat, found), list(found.remarks)


def _shaken(seen: Sequence[Placed], found: Laid) -> list[Placed]:
    """Return the marks with margins no wider than those of the boots whose next best place would explain the mark otherwise."""
    stations = len({one.mark.station for one in seen})
    held = met(group for _, line in found.lines for group in line_of(line, stations).groups)
    margins: dict[str, float] = {}
    for margin, lines in found.others:
        other = met(group for line in lines for group in line_of(line, stations).groups)
        for key in held:
            if differ(held[key], other[key]):
                margins[key] = min(margins.get(key, inf), margin)
    return [_limited(place, margins.get(place.mark.key, inf)) for place in seen]


def _limited(place: Placed, margin: float) -> Placed:
    least = min(place.margin, margin)
    return replace(place, margin=least, ambiguous=place.ambiguous or least < CLEAR_MARGIN)


def _beside(numbers: Sequence[int | None], taken: set[int]) -> list[int | None]:
    """Return the numbers of a line, moved behind all others where one of them is another line's."""
    shift = max(taken) if taken & set(numbers) else 0
    return [None if number is None else number + shift for number in numbers]


def _places(group: Group, number: int | None, margins: tuple[float, Mapping[str, float]]) -> Iterator[Placed]:
    of_number, of_boot = margins
    for mark in sorted((*group.kept.values(), *group.doubles), key=time_of):
        margin = min(group.margins[mark.key], of_number, of_boot.get(mark.boot, inf))
        kept = number is not None and mark not in group.doubles
        doubtful = margin < CLEAR_MARGIN or (kept and _is_far(mark, group))
        yield Placed(mark, number, kept, _reason(mark, group, number), margin, doubtful, False, True)


def _is_far(mark: Mark, group: Group) -> bool:
    """Return whether a mark came so long before or after the others that a person should look, however few other places it has."""
    others = [other for station, other in group.kept.items() if station != mark.station]
    return bool(others) and abs(time_of(mark) - middle_us(others)) > (COINCIDENCE_S + 2 * mark.sigma_s) * SECOND_US


def _reason(mark: Mark, group: Group, number: int | None) -> str:
    if number is None:
        at_work = ", ".join(sorted(group.expected - {mark.station}))
        return f"pressed by mistake: no other station pressed within the time of one flight ({at_work} at work)"
    kept = group.kept[mark.station]
    if mark.key != kept.key:
        return f"pressed again: this press came {_apart(mark, time_of(kept))} the one that fits the other stations"
    if len(group.kept) == 1:
        return "no other station saw this flight"
    others = [other for station, other in group.kept.items() if station != mark.station]
    return f"{_apart(mark, middle_us(others))} {', '.join(sorted(other.station for other in others))}"


def _apart(mark: Mark, utc_us: int) -> str:
    later_s = (time_of(mark) - utc_us) / SECOND_US
    return f"{abs(later_s):.1f} s {'after' if later_s > 0 else 'before'}"


# --- what a person settled ------------------------------------------------------------------------------------------


def _meets(seen: Sequence[Placed], settled: Settled, unclocked: set[str]) -> dict[str, frozenset[str]]:
    """Return which marks a settled mark of a boot without a clock must meet: those of other boots in the flight it was given."""
    flights: dict[int, set[Mark]] = defaultdict(set)
    for one in seen:
        if one.kept and one.flight is not None and one.mark.name not in settled:
            flights[one.flight].add(one.mark)
    found = {}
    for one in seen:
        mark, flight = one.mark, settled.get(one.mark.name)
        keys = frozenset(m.key for m in flights.get(flight, ()) if m.station != mark.station) if flight else frozenset()
        if mark.key in unclocked and keys:
            found[mark.key] = keys
    return found


def _overlaid(seen: Sequence[Placed], settled: Settled) -> list[Placed]:
    """Return all marks, the settled ones where they were put; of a station's marks in one flight a settled one counts, the last."""
    claims = {(settled[p.mark.name], p.mark.station): p.mark.key for p in seen if p.mark.name in settled}
    moved = [_settled(place, settled, claims) for place in seen]
    kept = {(one.flight, one.mark.station) for one in moved if one.kept}
    for at, place in enumerate(moved):
        if place.flight is not None and not place.by_hand and (place.flight, place.mark.station) not in kept:
            kept.add((place.flight, place.mark.station))
            reason = "counts because a person took away this station's other press"
            moved[at] = replace(place, kept=True, reason=reason, margin=inf, ambiguous=False, by_hand=True)
    return moved


def _settled(place: Placed, settled: Settled, claims: Mapping[tuple[int | None, str], str]) -> Placed:
    mark = place.mark
    if mark.name in settled:
        flight = settled[mark.name]
        kept = flight is not None and claims[flight, mark.station] == mark.key
        reason = "a person set it aside" if flight is None else f"a person gave it to flight {flight}"
        reason += "" if kept or flight is None else "; so was a later press of this station, which counts"
        return Placed(mark, flight, kept, reason, inf, False, True, place.clocked)
    if place.kept and (place.flight, mark.station) in claims:
        reason = f"a person gave another press of station {mark.station} to flight {place.flight}"
        return replace(place, kept=False, reason=reason, margin=inf, ambiguous=False, by_hand=True)
    return place


# --- flights --------------------------------------------------------------------------------------------------------


def _matches(seen: Iterable[Placed]) -> list[Match]:
    flights: dict[int, list[Placed]] = defaultdict(list)
    for one in seen:
        if one.flight is not None:
            flights[one.flight].append(one)
    return [_match(number, own) for number, own in sorted(flights.items())]


def _match(number: int, own: Sequence[Placed]) -> Match:
    kept = {one.mark.station: one.mark for one in own if one.kept}
    clocked = all(one.clocked for one in own if one.kept)
    aside = tuple(Exclusion(one.mark.station, "mark", _told_of(one)) for one in own if not one.kept)
    middle = middle_us(sorted(kept.values(), key=time_of))
    return Match(number, middle if clocked else None, kept, aside, tuple(_remarks(own, kept, middle)))


def _told_of(place: Placed) -> str:
    return f"{place.reason} (mark {place.mark.name})"


def _remarks(own: Sequence[Placed], kept: Mapping[str, Mark], middle: int) -> Iterator[str]:
    for station, mark in sorted(kept.items()):
        if abs(time_of(mark) - middle) > COINCIDENCE_S * SECOND_US:
            yield f"station {station} pressed {_apart(mark, middle)} the others"
    for place in own:
        named = f"mark {place.mark.name} of station {place.mark.station}"
        if place.ambiguous:
            yield f"{named} may belong elsewhere (margin {place.margin:.1f})"
        elif place.kept and place.by_hand:
            yield f"{named}: {place.reason}"


def _told(seen: Iterable[Placed]) -> list[str]:
    """Return a sentence on every mark that is in no flight, and one on how to settle what is in doubt."""
    places = list(seen)
    told = [f"mark {p.mark.name} of station {p.mark.station} is in no flight: {p.reason}" for p in places if p.flight is None]
    doubtful = sum(place.ambiguous for place in places)
    if doubtful:
        told.append(f"{doubtful} of {len(places)} marks may belong elsewhere; 'apexfix assign DAY' lists them and settles them")
    return told


def _with_counters(matches: Iterable[Match]) -> list[Match]:
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
