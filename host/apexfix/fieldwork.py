"""A day folder to its flights: the units' records and the hand readings, matched."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from apexfix.align import Alignment, Match, Placed, align
from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.calibrate.document import ALL_FILES
from apexfix.calibrate.steps import STEPS_NAME
from apexfix.carried import Recorded, recorded
from apexfix.day import SIGHTINGS_NAME, SITE_NAME, flights_from_hand, read_sightings, read_site
from apexfix.decisions import ASSIGNMENTS_NAME, in_force, read_decisions
from apexfix.errors import FileError
from apexfix.model import Exclusion, Flight, Site
from apexfix.sighted import directed


@dataclass(frozen=True, slots=True)
class FieldDay:
    """Everything that was seen on one day."""

    site: Site
    flights: tuple[Flight, ...]
    remarks: tuple[str, ...]  # about clocks, units and matching
    places: tuple[Placed, ...]  # where every mark of the units ended


def day_files(folder: Path) -> tuple[Path, ...]:
    """Return the files that the answers for a day come from; some need not be there."""
    named = (SITE_NAME, SIGHTINGS_NAME, ARCHIVE_NAME, ASSIGNMENTS_NAME, STEPS_NAME)
    return (*(folder / name for name in named), *sorted(folder.glob(ALL_FILES)))


def read_field_day(folder: Path) -> FieldDay:
    """Return the site and the flights of a day folder, from its archive, its hand readings, or both.

    Raises
    ------
    FileError
        The site file is missing, or a file has an error in it.
    ReductionError
        Two units claim one station.
    CalibrationError
        A calibration is another unit's or cannot be.
    """
    site = read_site(folder / SITE_NAME)
    hand_file = folder / SIGHTINGS_NAME
    by_hand = flights_from_hand(read_sightings(hand_file, site)) if hand_file.exists() else ()
    if not (folder / ARCHIVE_NAME).exists():
        return FieldDay(site, by_hand, (), ())
    found, aligned = _matched(folder, site)
    electronic = [_flight(match, found) for match in aligned.matches]
    return FieldDay(found.site, _joined(electronic, by_hand), found.remarks + aligned.remarks, aligned.places)


def read_alignment(folder: Path) -> Alignment:
    """Return where every mark of a day's units ended, and how sure that is.

    Raises
    ------
    FileError
        The site file or the archive is missing, or a file has an error in it.
    ReductionError
        Two units claim one station.
    CalibrationError
        A calibration is another unit's or cannot be.
    """
    site = read_site(folder / SITE_NAME)
    if not (folder / ARCHIVE_NAME).exists():
        raise FileError("there is no such file, an archive of units expected; 'apexfix pull' makes it", path=folder / ARCHIVE_NAME)
    return _matched(folder, site)[1]


def _matched(folder: Path, site: Site) -> tuple[Recorded, Alignment]:
    with open_archive(folder / ARCHIVE_NAME) as archive:
        found = recorded(archive, site, folder)
    return found, align(found.marks, in_force(read_decisions(folder)))


def _flight(match: Match, found: Recorded) -> Flight:
    seen = [directed(match.number, mark, found, clocked=match.utc_us is not None) for _, mark in sorted(match.marks.items())]
    return Flight(
        number=match.number,
        sightings=tuple(one.sighting for one in seen),
        tracks=tuple(one.track for one in seen if one.track is not None),
        set_aside=match.set_aside,
        remarks=match.remarks + tuple(remark for one in seen for remark in one.remarks),
    )


def _joined(electronic: Sequence[Flight], by_hand: Sequence[Flight]) -> tuple[Flight, ...]:
    """Return all flights by number; a hand reading joins the flight of its number, and gives way to a unit at the same station."""
    flights = {flight.number: flight for flight in electronic}
    for own in by_hand:
        flights[own.number] = _with_hand(flights[own.number], own) if own.number in flights else own
    return tuple(flights[number] for number in sorted(flights))


def _with_hand(flight: Flight, by_hand: Flight) -> Flight:
    taken = {sighting.station for sighting in flight.sightings}
    aside = tuple(
        Exclusion(sighting.station, "sighting", "read by hand as well; the unit's own mark counts")
        for sighting in by_hand.sightings
        if sighting.station in taken
    )
    return replace(
        flight,
        sightings=flight.sightings + tuple(s for s in by_hand.sightings if s.station not in taken),
        set_aside=flight.set_aside + by_hand.set_aside + aside,
    )
