"""Which flight of the altimeter is which flight of the day: by number, by time, by the pattern of the times."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.compare.altimeter import ControlFlight
from apexfix.errors import ReductionError
from apexfix.model import FlightResult
from apexfix.units import US

NEAR_S: Final = 30.0  # flights are minutes apart, and a clock that was set once on the day keeps this
_PATTERN_S: Final = 5.0  # a common offset must bring apexes this near to each other
_FAR_S: Final = 2 * _PATTERN_S  # offsets nearer than this are the same explanation
_LEAST_PATTERN: Final = 2


@dataclass(frozen=True, slots=True)
class Pairing:
    """Who belongs to whom, and who to nobody; each with the reason."""

    pairs: tuple[tuple[int, int, str], ...]  # place in the control file from 0, flight of the day, reason
    unpaired_controls: tuple[tuple[int, str], ...]
    alone: tuple[int, ...]  # flights of the day that the control file does not know
    clock_offset_s: float | None  # what was added to the altimeter's time; None where no time was used


def apex_utc_us(result: FlightResult) -> int | None:
    """Return when a flight was at its apex: as the tracks say, else the mean of its sightings; None without a time."""
    times = [sighting.utc_us for sighting in result.sightings if sighting.utc_us is not None]
    return result.utc_us if result.utc_us is not None else sum(times) // len(times) if times else None


def paired(
    controls: Sequence[ControlFlight], day_utc_us: Mapping[int, int | None], named: Sequence[int], offset_s: float | None
) -> Pairing:
    """Return the pairs of a control file and a day.

    Parameters
    ----------
    day_utc_us
        Flight of the day -> time of its apex, None where it is unknown.
    named
        The flights of the control file in its order, if a person says them; empty: as the file and the times say.
    offset_s
        What a person says is to be added to the altimeter's time; None: nothing, or what the pattern of the times says.

    Raises
    ------
    ReductionError
        Not as many flights are named as the control file has.
    """
    if named and len(named) != len(controls):
        names = "; ".join(control.name for control in controls)
        given = f"{len(named)} number{'' if len(named) == 1 else 's'} of flights given"
        raise ReductionError(f"{given}, {len(controls)} expected, one for each of: {names}")
    numbers: list[int | None] = [*named] if named else [control.flight for control in controls]
    pairs, lost = _by_number(numbers, day_utc_us)
    left = [n for n, number in enumerate(numbers) if number is None]
    free = {flight: utc for flight, utc in day_utc_us.items() if flight not in {pair[1] for pair in pairs}}
    timed, lost_in_time, offset_used = _by_time(controls, left, free, offset_s)
    if not pairs and len(controls) == 1 and len(free) == 1 and not timed and left and not lost:
        timed, lost_in_time = [(0, next(iter(free)), "the only flight of both")], []
    pairs += timed
    taken = {flight for _, flight, _ in pairs}
    alone = tuple(flight for flight in day_utc_us if flight not in taken)
    by_flight = sorted(pairs, key=lambda pair: pair[1])
    return Pairing(tuple(by_flight), tuple(lost + lost_in_time), alone, offset_used if timed else None)


def _by_number(
    numbers: Sequence[int | None], day_utc_us: Mapping[int, int | None]
) -> tuple[list[tuple[int, int, str]], list[tuple[int, str]]]:
    pairs: list[tuple[int, int, str]] = []
    lost: list[tuple[int, str]] = []
    for n, number in enumerate(numbers):
        if number is None:
            continue
        if number not in day_utc_us:
            lost.append((n, f"the day has no flight {number}"))
        elif number in {pair[1] for pair in pairs}:
            lost.append((n, f"flight {number} stands twice in the control file; the first one is taken"))
        else:
            pairs.append((n, number, "by the number of the flight"))
    return pairs, lost


def _by_time(
    controls: Sequence[ControlFlight], left: Sequence[int], free: Mapping[int, int | None], offset_s: float | None
) -> tuple[list[tuple[int, int, str]], list[tuple[int, str]], float | None]:
    """Return pairs, what is left over with its reason, and the offset in force."""
    untimed = [(n, _no_time(controls[n])) for n in left if _seconds(controls[n]) is None]
    placed = {n: seconds for n in left if (seconds := _seconds(controls[n])) is not None}
    day = {flight: utc * US for flight, utc in free.items() if utc is not None}
    if not placed or not day:
        reason = "no flight of the day that is left carries a time; say which one it is with --flight"
        return [], untimed + [(n, reason) for n in placed], None
    known = any(controls[n].utc_us is not None for n in placed)
    offset = offset_s if offset_s is not None else 0.0 if known else None
    matched = {} if offset is None else _nearest(placed, day, offset, NEAR_S)
    if not matched and offset_s is None:
        found = _pattern(placed, day)
        offset, matched = (found, _nearest(placed, day, found, _PATTERN_S)) if found is not None else (offset, {})
    by_pattern = offset_s is None and offset not in (0.0, None)
    pairs = [(n, flight, _reason(placed[n] + (offset or 0.0) - day[flight], by_pattern)) for n, flight in matched.items()]
    lost = [(n, _far(placed[n], day, offset)) for n in placed if n not in matched]
    return pairs, untimed + lost, offset


def _seconds(control: ControlFlight) -> float | None:
    return control.utc_us * US if control.utc_us is not None else control.clock_s


def _no_time(control: ControlFlight) -> str:
    return control.trouble or "it carries neither a flight's number nor a time; say which flight it is with --flight"


def _nearest(placed: Mapping[int, float], day: Mapping[int, float], offset: float, within_s: float) -> dict[int, int]:
    """Return control -> flight for all that are nearest to each other and near enough."""
    matched: dict[int, int] = {}
    for n, seconds in placed.items():
        flight = min(day, key=lambda each: abs(day[each] - seconds - offset))
        back = min(placed, key=lambda each: abs(day[flight] - placed[each] - offset))
        if back == n and abs(day[flight] - seconds - offset) <= within_s:
            matched[n] = flight
    return matched


def _pattern(placed: Mapping[int, float], day: Mapping[int, float]) -> float | None:
    """Return the one offset that brings the most apexes together, None where two or more flights do not agree on one alone."""
    offsets = [apex - seconds for apex in day.values() for seconds in placed.values()]
    counts = [len(_nearest(placed, day, offset, _PATTERN_S)) for offset in offsets]
    best = max(counts)
    winner = offsets[counts.index(best)]
    rivals = [count for offset, count in zip(offsets, counts, strict=True) if abs(offset - winner) > _FAR_S]
    if best < _LEAST_PATTERN or best <= max(rivals, default=0):
        return None
    matched = _nearest(placed, day, winner, _PATTERN_S)
    return float(np.median([day[flight] - placed[n] for n, flight in matched.items()]))


def _reason(apart_s: float, by_pattern: bool) -> str:
    near = f"by time: the apexes are {abs(apart_s):.1f} s apart"
    return f"{near}, once the altimeter's clock is shifted by the pattern of the flights" if by_pattern else near


def _far(seconds: float, day: Mapping[int, float], offset: float | None) -> str:
    if offset is None:
        return "its clock was never set and the pattern of the flights does not tell which is which; say it with --flight"
    flight = min(day, key=lambda each: abs(day[each] - seconds - offset))
    return (
        f"no flight of the day within {NEAR_S:.0f} s; flight {flight} is nearest, {day[flight] - seconds - offset:+z.0f} s away. "
        "A clock that is wrong by that is corrected with --clock-offset, a flight is named with --flight"
    )


def day_times(results: Sequence[FlightResult]) -> dict[int, int | None]:
    """Return flight -> time of its apex."""
    return {result.flight: apex_utc_us(result) for result in results}


def offset_words(offset_s: float) -> str:
    """Return an offset of a clock as a sentence; long ones are no offset but an unset clock.

    Examples
    --------
    >>> offset_words(3600.4)
    "The altimeter's clock was taken to be 3600.4 s slow."
    """
    if abs(offset_s) > 366 * 86_400:
        return "The altimeter's clock was never set; the pattern of the flights placed it."
    return f"The altimeter's clock was taken to be {abs(offset_s):.1f} s {'slow' if offset_s > 0 else 'fast'}."
