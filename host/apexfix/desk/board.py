"""The day's answers and marks as words and figures for the page."""

from collections.abc import Iterable, Mapping, Sequence
from math import inf
from typing import Final

from apexfix.align import Placed
from apexfix.decisions import SET_ASIDE, Decision
from apexfix.desk.values import Board, Choice, FlightRow, Headline, MarkCard
from apexfix.model import DayResult, FlightResult, Verdict
from apexfix.report.html import VERDICT_WORDS
from apexfix.report.rounding import (
    Manner,
    decimals,
    fixed,
    height_sigma_m,
    height_words,
    interval_words,
    length,
    sentence,
    stations_used,
    time_words,
    unit_word,
)

_MOST_CHOICES: Final = 4  # flights offered as buttons; any other number can be typed
_NEVER: Final = -(2**63)


def board_of(day: DayResult, marks: tuple[MarkCard, ...], manner: Manner) -> Board:
    """Return what a page shows of a day."""
    newest_first = sorted(day.flights, key=lambda result: (_seen_utc_us(result), result.flight), reverse=True)
    return Board(
        site=day.site.name,
        flights=tuple(_row(result, manner) for result in newest_first),
        headline=next((_headline(result, manner) for result in newest_first if result.position_m is not None), None),
        marks=marks,
        remarks=(
            *(sentence(remark, manner) for remark in day.remarks),
            *(f"unit {unit.unit}: {concern}" for unit in day.units for concern in unit.concerns),
        ),
    )


def marks_of(places: Sequence[Placed], decisions: Iterable[Decision], manner: Manner) -> tuple[MarkCard, ...]:
    """Return the marks in doubt, then those that a person settled, the latest decision first.

    Parameters
    ----------
    places
        Where every mark of the units ended; none where nothing was pulled.
    decisions
        The lines of assignments.csv, oldest first.
    """
    last = {decision.mark: decision for decision in decisions}
    settled = {mark: decision for mark, decision in last.items() if decision.verdict != ""}
    flights = _flight_times(places)
    doubtful = [_card(place, None, flights, manner) for place in places if place.ambiguous and place.mark.name not in settled]
    known = {place.mark.name: place for place in places}
    latest_first = sorted(settled.values(), key=lambda decision: -decision.decided_utc_us)
    done = [_card(known[decision.mark], decision, flights, manner) for decision in latest_first if decision.mark in known]
    return (*doubtful, *done)


def _seen_utc_us(result: FlightResult) -> int:
    times = [result.utc_us, *(sighting.utc_us for sighting in result.sightings)]
    return max((time for time in times if time is not None), default=_NEVER)


def _when(utc_us: int, manner: Manner) -> str:
    return "unknown" if utc_us == _NEVER else time_words(utc_us, manner).split(" ", 1)[1]


def _row(result: FlightResult, manner: Manner) -> FlightRow:
    excluded = tuple(f"not used: {each.quantity} of {each.station}: {each.reason}" for each in result.excluded)
    return FlightRow(
        number=result.flight,
        height=height_words(result, manner),
        interval=interval_words(result, manner),
        verdict=result.verdict.value,
        sign=VERDICT_WORDS[result.verdict][0],
        stations=", ".join(stations_used(result)) or "-",
        when=_when(_seen_utc_us(result), manner),
        reasons=tuple(sentence(reason, manner) for reason in result.reasons + excluded),
    )


def _headline(result: FlightResult, manner: Manner) -> Headline:
    """Return the figures of a flight; a rejected height is not shown to a crowd."""
    sign, meaning = VERDICT_WORDS[result.verdict]
    sigma_m = height_sigma_m(result)
    if result.position_m is None or result.interval95_m is None or sigma_m is None or result.verdict is Verdict.REJECTED:
        return Headline(result.flight, "", "", unit_word(manner), result.verdict.value, sign, meaning)
    places = decimals(length(sigma_m, manner))
    height, low, high = (fixed(length(value_m, manner), places) for value_m in (float(result.position_m[2]), *result.interval95_m))
    return Headline(result.flight, height, f"{low}–{high}", unit_word(manner), result.verdict.value, sign, meaning)


def _flight_times(places: Iterable[Placed]) -> Mapping[int, int]:
    """Return one time for each flight that a mark is in: that of any mark which counts there."""
    return {
        place.flight: place.mark.t_us if place.mark.utc_us is None else place.mark.utc_us
        for place in places
        if place.flight is not None and place.kept
    }


def _card(place: Placed, decision: Decision | None, flights: Mapping[int, int], manner: Manner) -> MarkCard:
    flight = "no flight" if place.flight is None else f"flight {place.flight}{'' if place.kept else ', set aside'}"
    utc_us = place.mark.utc_us if place.clocked and place.mark.utc_us is not None else _NEVER
    return MarkCard(
        name=place.mark.name,
        station=place.mark.station,
        when=_when(utc_us, manner),
        flight=flight,
        margin="" if place.margin == inf else f"{place.margin:.1f}",
        reason=place.reason,
        settled=decision is not None,
        note="" if decision is None else decision.note,
        choices=() if decision is not None else _choices(place, flights),
    )


def _choices(place: Placed, flights: Mapping[int, int]) -> tuple[Choice, ...]:
    """Return the flights nearest to a mark in time, in the order of their numbers, and none at all."""
    at_us = place.mark.t_us if place.mark.utc_us is None else place.mark.utc_us
    nearest = sorted(flights, key=lambda number: (number != place.flight, abs(flights[number] - at_us)))[:_MOST_CHOICES]
    return (*(Choice(str(number), f"flight {number}") for number in sorted(nearest)), Choice(SET_ASIDE, "no flight"))
