"""The archives of two laptops that pulled units on the same day, as one."""

from dataclasses import dataclass

from apexfix.archive import Archive, Conflict


@dataclass(frozen=True, slots=True)
class Merged:
    """What one archive took from another."""

    units: int  # that were not known before
    fresh_bytes: int
    exchanges: int
    conflicts: tuple[Conflict, ...]  # that came up or came along


def merge(into: Archive, other: Archive) -> Merged:
    """Add to an archive what another one holds beyond it. Again is the same as once, and a merge that was stopped goes on.

    Where both hold different bytes for one place, those of ``into`` stay in force; the others are kept beside as a conflict.

    Raises
    ------
    FileError
        One of the archives cannot be used.
    """
    known = {unit.serial for unit in into.units()}
    fresh = tuple(unit for unit in other.units() if unit.serial not in known)
    before, exchanges, conflicts = _size(into), len(tuple(into.exchanges())), set(into.conflicts())
    for unit in fresh:
        into.add_unit(unit)
    for serial, log, number in dict.fromkeys((piece.serial, piece.log, piece.number) for piece in other.pieces()):
        into.add_segment_bytes(serial, log, number, 0, other.segment_bytes(serial, log, number))
    for exchange in other.exchanges():
        into.add_exchange(exchange)
    for conflict in other.conflicts():
        into.add_conflict(conflict)
    for pull in other.pulls():
        into.add_pull(pull)
    return Merged(
        units=len(fresh),
        fresh_bytes=_size(into) - before,
        exchanges=len(tuple(into.exchanges())) - exchanges,
        conflicts=tuple(conflict for conflict in into.conflicts() if conflict not in conflicts),
    )


def _size(archive: Archive) -> int:
    return sum(len(piece.data) for piece in archive.pieces())
