"""From connected units into the archive of a day: compare clocks, fetch what is new, compare clocks again."""

from binascii import crc32
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from apexfix.archive import ARCHIVE_NAME, Archive, Pull, Unit, open_archive
from apexfix.errors import FileError, UnitError
from apexfix.link import candidate_ports, find_units, open_port
from apexfix.records import Damage, scan
from apexfix.session import NOT_NOW, HostClock, Identity, Refused, Session
from apexfix.wire import SegmentEntry

EXCHANGES: Final = 8  # before the transfer and after it; the fastest counts, so a few are enough


@dataclass(frozen=True, slots=True)
class Progress:
    """How far one unit is."""

    port: str
    unit: str
    done_bytes: int
    total_bytes: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of pulling one port. ``error`` is empty where all went well; what arrived before an error is kept."""

    port: str
    unit: str  # "" where none answered
    serial: str
    fresh_bytes: int
    damaged_bytes: int  # of all that is held of this log; a few after a power cut are normal
    conflicts: int  # of all that is held of this unit
    tidied: int  # segments erased on the unit
    untidied: int  # segments that the unit was too busy to erase; tidy again
    error: str


@dataclass(frozen=True, slots=True)
class PullOptions:
    """How to pull. With ``tidy`` closed segments are erased on the unit once the archive holds every byte of them."""

    tidy: bool = False
    host: HostClock = HostClock()  # noqa: RUF009  a frozen value
    progress: Callable[[Progress], None] = lambda _: None


class _Tally:
    """What one pull has done so far, kept outside it so that it survives its failure."""

    def __init__(self) -> None:
        self.identity: Identity | None = None
        self.fresh_bytes = 0
        self.tidied = 0
        self.untidied = 0


def pull_all(
    ports: Sequence[str] | None,
    day_folder: Path,
    utc_us: Callable[[], int] | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
    tidy: bool = False,
) -> tuple[Outcome, ...]:
    """Pull the units behind ports, all at the same time, into the archive of a day's folder, which is made if needed.

    Parameters
    ----------
    ports
        Names, paths of pseudo-terminals or pyserial URLs; None asks every USB serial port and passes over those that are no units.
    utc_us
        Stands in for the host's UTC, and for its steady clock too, where a day is simulated.
    progress
        Called from several threads.

    Returns
    -------
    One outcome for each unit, in the order of the ports. A unit that fails does not stop the others.

    Raises
    ------
    UnitError
        No port was named and no unit found.
    FileError
        The archive cannot be used.
    """
    host = HostClock() if utc_us is None else HostClock(utc_us, utc_us)
    options = PullOptions(tidy, host, progress)
    named = tuple(ports) if ports is not None else _ports_with_units(host)
    _make_folder(day_folder)
    with open_archive(day_folder / ARCHIVE_NAME) as archive, ThreadPoolExecutor(max(1, len(named))) as pool:
        return tuple(pool.map(lambda port: _pull_port(port, archive, options), named))


def pull_unit(session: Session, archive: Archive, port: str, options: PullOptions) -> Outcome:
    """Pull one unit; again and again is the same as once. What arrived before an error is in the archive."""
    tally = _Tally()
    try:
        _pull(session, archive, port, options, tally)
    except UnitError as error:
        return _outcome(archive, port, tally, str(error))
    return _outcome(archive, port, tally, "")


def _pull_port(port: str, archive: Archive, options: PullOptions) -> Outcome:
    try:
        with open_port(port) as line:
            return pull_unit(Session(line, options.host), archive, port, options)
    except UnitError as error:
        return _outcome(archive, port, _Tally(), str(error))


def _pull(session: Session, archive: Archive, port: str, options: PullOptions, tally: _Tally) -> None:
    identity = tally.identity = session.hello()
    archive.add_unit(Unit(identity.serial, identity.unit, identity.firmware, identity.imu))
    _compare_clocks(session, archive)
    entries = session.segments()
    total_bytes, before_bytes = sum(entry.length for entry in entries), 0
    for entry in entries:
        show = _shower(options, port, identity.unit, before_bytes, total_bytes)
        _pull_segment(session, archive, identity, entry, (tally, show))
        before_bytes += entry.length
    _compare_clocks(session, archive)
    for entry in entries:
        if options.tidy and entry.closed:
            _tidy(session, archive, (identity, entry), tally)
    archive.add_pull(Pull(identity.serial, identity.log, port, options.host.utc_us(), tally.fresh_bytes))


def _shower(options: PullOptions, port: str, unit: str, before_bytes: int, total_bytes: int) -> Callable[[int], None]:
    def show(held: int) -> None:
        options.progress(Progress(port, unit, before_bytes + held, max(total_bytes, before_bytes + held)))

    return show


def _compare_clocks(session: Session, archive: Archive) -> None:
    for _ in range(EXCHANGES):
        archive.add_exchange(session.exchange())


def _pull_segment(
    session: Session, archive: Archive, identity: Identity, entry: SegmentEntry, report: tuple[_Tally, Callable[[int], None]]
) -> None:
    """Fetch what the archive lacks. A segment may have grown since the list was made; a shrunken one is refused."""
    tally, show = report
    held = len(archive.segment_bytes(identity.serial, identity.log, entry.number))
    if held > entry.length:
        raise UnitError(
            f"segment {entry.number} has {entry.length} bytes on the unit, the archive holds {held} of it; "
            "segments never shrink: the flash is damaged, nothing was erased"
        )
    show(held)
    if held == entry.length and entry.closed:
        return
    for data in session.read_segment(entry.number, held):
        archive.add_segment_bytes(identity.serial, identity.log, entry.number, held, data)
        held += len(data)
        tally.fresh_bytes += len(data)
        show(held)
    if held < entry.length:
        raise UnitError(f"segment {entry.number} ended at byte {held}, {entry.length} were announced; pull again")


def _tidy(session: Session, archive: Archive, which: tuple[Identity, SegmentEntry], tally: _Tally) -> None:
    """Erase a segment on the unit. The unit compares length and checksum of its file with ours and refuses where they differ."""
    identity, entry = which
    held = archive.segment_bytes(identity.serial, identity.log, entry.number)
    try:
        session.forget(entry.number, len(held), crc32(held))
    except Refused as refusal:
        if refusal.code != NOT_NOW:
            raise
        tally.untidied += 1
    else:
        tally.tidied += 1


def _outcome(archive: Archive, port: str, tally: _Tally, error: str) -> Outcome:
    identity = tally.identity
    if identity is None:
        return Outcome(port, "", "", 0, 0, 0, 0, 0, error)
    segments = archive.segments(identity.serial, identity.log)
    damaged = sum(item.length for segment in segments for item in scan(segment) if isinstance(item, Damage))
    conflicts = sum(conflict.serial == identity.serial for conflict in archive.conflicts())
    done = (tally.fresh_bytes, damaged, conflicts, tally.tidied, tally.untidied)
    return Outcome(port, identity.unit, identity.serial, *done, error)


def _ports_with_units(host: HostClock) -> tuple[str, ...]:
    ports = candidate_ports()
    found = find_units(ports, lambda line: Session(line, host).hello())
    units = tuple(item.port for item in found if isinstance(item.answer, Identity))
    if not units:
        asked = "; ".join(f"{item.port}: {item.answer}" for item in found) or "there is no USB serial port"
        raise UnitError(f"no unit found ({asked}); plug one in with a data cable, or name its port with --port")
    return units


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"the folder cannot be made: {error.strerror}; choose another", path=folder) from error
