"""One short talk with whatever is behind a port: who it is, how it is, and everything that the archive lacks of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from apexfix.archive import ARCHIVE_NAME, Archive, open_archive
from apexfix.clock import Clock, ClockKey, fit_clock
from apexfix.desk.values import UnitCard
from apexfix.errors import ApexfixError, UnitError
from apexfix.link import open_port
from apexfix.pull import Progress, PullOptions, pull_unit
from apexfix.session import HostClock, Identity, Patience, Session
from apexfix.unit_state import nearly_full, self_test
from apexfix.units import US
from apexfix.wire import Exchange, SegmentEntry

PATIENCE: Final = Patience(answer_s=1.0, attempts=3)  # a unit is asked again in seconds anyway
_GRAVE: Final = 2  # severity of a note from which it is a warning
_NOTES_SHOWN: Final = 3

Held = tuple[str, str, int, tuple[SegmentEntry, ...]]  # serial, log and boot of a unit, and its segments


@dataclass(frozen=True, slots=True)
class Visited:
    """What came of one visit."""

    card: UnitCard
    held: Held | None  # what the archive now holds of the unit; None: pull at the next visit, whatever it says
    clock: Clock | None = None


@dataclass(frozen=True, slots=True)
class Errand:
    """What a visit is for."""

    port: str
    day_folder: Path
    host: HostClock
    progress: Callable[[Progress], None]


def visit(errand: Errand, before: Visited | None) -> Visited:
    """Talk to a port once, and pull where the unit holds something new. Takes as long as that takes; every wait is bounded.

    A unit that fails, or an archive that cannot be written, is told in the card; what arrived before is kept.
    """
    try:
        with open_port(errand.port) as line:
            return _talk(errand, Session(line, errand.host, PATIENCE), before)
    except ApexfixError as error:
        return Visited(_failed(errand.port, before, str(error)), None)


def _failed(port: str, before: Visited | None, said: str) -> UnitCard:
    if before is not None and before.card.unit:
        return replace(before.card, state="silent", said=said)
    return UnitCard(port, "no unit", said=said)


def _talk(errand: Errand, session: Session, before: Visited | None) -> Visited:
    who, status = session.hello(), session.status()
    held: Held = (who.serial, who.log, who.boot, session.segments())
    said, clock, notes = "", None if before is None else before.clock, () if before is None else before.card.notes
    if before is None or held != before.held:
        with open_archive(errand.day_folder / ARCHIVE_NAME) as archive:
            outcome = pull_unit(session, archive, errand.port, PullOptions(host=errand.host, progress=errand.progress))
            if outcome.error:
                raise UnitError(outcome.error)
            clock, notes = _clock(archive, who), _notes(archive, who)
    card = UnitCard(errand.port, "connected", unit=who.unit, notes=(*_complaints(status), *notes), said=said)
    return Visited(_with_clock(_with_status(card, status), clock, session.exchange()), held, clock)


def _clock(archive: Archive, who: Identity) -> Clock:
    key = ClockKey(who.serial, who.log, who.boot)
    return fit_clock(key, [each for each in archive.exchanges() if ClockKey(each.serial, each.log, each.boot) == key])


def _notes(archive: Archive, who: Identity) -> tuple[str, ...]:
    grave = [note.record.text for note in archive.notes() if note.serial == who.serial and note.record.severity >= _GRAVE]
    return tuple(grave[-_NOTES_SHOWN:])


def _with_status(card: UnitCard, status: Mapping[str, object]) -> UnitCard:
    supply_mv, left = status.get("supply_mv"), status.get("flights_left")
    supply = f"{supply_mv / 1000:.2f} V" if isinstance(supply_mv, int) else "unknown"
    return replace(card, supply=supply, flash=f"{left} flights" if isinstance(left, int) else "unknown")


def _with_clock(card: UnitCard, clock: Clock | None, now: Exchange) -> UnitCard:
    """Return the card with how far the unit's clock is from its line at this moment; the exchange is not kept."""
    if clock is None:
        return card
    told_utc_us, sigma_s = clock.utc_us(now.t2_us)
    off_s = ((now.t1_utc_us + now.t4_utc_us) / 2 - float(told_utc_us)) * US
    unsure_s = float(sigma_s) + (now.t4_utc_us - now.t1_utc_us) * US / 2
    (_, _), (_, variance) = clock.covariance
    return replace(
        card,
        offset=f"{off_s * 1000:+z.1f} ± {unsure_s * 1000:.1f} ms",
        drift=f"{clock.drift * 1e6:+z.1f} ± {variance**0.5 * 1e6:.1f} ppm",
        compared_utc_us=int(clock.utc_us(clock.groups_us[-1])[0]),
    )


def _complaints(status: Mapping[str, object]) -> tuple[str, ...]:
    error = status.get("last_error")
    bad = [f"{name} failed its test: {text}" for name, (state, text) in self_test(status).items() if state != "ok"]
    few = ["its flash is nearly full: 'apexfix pull DAY --tidy' makes room"] if nearly_full(status) else []
    said = [f"last error: {error}"] if error else []
    return (*bad, *few, *said)
