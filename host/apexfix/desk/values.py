"""What the desk shows, ready to be read. No behaviour: one frozen snapshot is handed from the worker to every page."""

from dataclasses import dataclass

from apexfix.report.rounding import PLAIN, Manner


@dataclass(frozen=True, slots=True)
class UnitCard:
    """One port, and the unit behind it."""

    port: str
    state: str  # "connected", "fetching", "silent", "no unit", "waiting"
    unit: str = ""
    station: str = ""
    supply: str = "unknown"
    flash: str = "unknown"  # flights that it still has room for
    offset: str = "unknown"  # of its clock, from the line that was fitted
    drift: str = "unknown"
    compared_utc_us: int | None = None  # when the clocks were last compared
    notes: tuple[str, ...] = ()
    said: str = ""  # what went wrong, or how far it is


@dataclass(frozen=True, slots=True)
class FlightRow:
    """One flight of the table."""

    number: int
    height: str
    interval: str
    verdict: str
    sign: str
    stations: str
    when: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Headline:
    """The newest height, in figures for two metres."""

    number: int
    height: str  # without its unit; "" where there is none to show
    low_high: str
    unit: str
    verdict: str
    sign: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer to a mark in doubt."""

    verdict: str  # as `decisions.flight_from` reads it
    label: str


@dataclass(frozen=True, slots=True)
class MarkCard:
    """A mark that is in doubt or was settled by a person."""

    name: str
    station: str
    when: str
    flight: str
    margin: str
    reason: str
    settled: bool  # by a decision on this very mark, which can be taken back
    note: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class Board:
    """What the day's files say."""

    site: str
    flights: tuple[FlightRow, ...] = ()  # the newest first
    headline: Headline | None = None
    marks: tuple[MarkCard, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that one page shows."""

    board: Board
    units: tuple[UnitCard, ...] = ()
    read: bool = False  # whether the day's files were looked at yet
    trouble: str = ""  # why the day could not be reduced; the board is then the last one that could
    answered: int = 0  # requests of pages that this snapshot has seen
    manner: Manner = PLAIN  # in which the figures of the board are written
