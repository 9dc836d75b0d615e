"""What goes into the matching and what comes out of it. No behaviour."""

from collections.abc import Mapping
from dataclasses import dataclass

from apexfix.model import Exclusion


@dataclass(frozen=True, slots=True)
class Mark:
    """One press of the mark button."""

    key: str  # names the record for ever, in words
    name: str  # the same, short: what a person types
    station: str
    boot: str  # names the clock: unit, log and boot
    log: str  # names the sequence: unit and log
    sequence: int  # place in that log; of two marks of a log the one with the higher number was pressed later
    t_us: int  # on the clock of the boot
    utc_us: int | None  # None where the clock was never compared with a host's
    sigma_s: float  # of utc_us
    counter: int | None  # the unit's flight number


@dataclass(frozen=True, slots=True)
class Placed:
    """Where one mark ended, and how sure that is."""

    mark: Mark
    flight: int | None  # None: it belongs to no flight
    kept: bool  # it is its station's mark of the flight; otherwise it is set aside
    reason: str
    margin: float  # nats to the next best explanation of this mark; infinite where a person settled it
    ambiguous: bool  # the margin is small and nobody has settled it
    by_hand: bool  # it is here because a person settled it, or another mark of its station in this flight
    clocked: bool  # the time of the mark is UTC; otherwise its hour is unknown, and only the order of the marks tells


@dataclass(frozen=True, slots=True)
class Match:
    """One flight: which mark of each station saw it."""

    number: int
    utc_us: int | None  # when the stations pressed, on average; None where the hour is unknown
    marks: Mapping[str, Mark]  # station -> mark
    set_aside: tuple[Exclusion, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Alignment:
    """How the marks of a day fall into flights. Every mark has one place."""

    matches: tuple[Match, ...]  # by number
    places: tuple[Placed, ...]  # in the order of time, those without an hour first
    remarks: tuple[str, ...]
