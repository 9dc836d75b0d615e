"""Whether two folders are of one launch day, so far as their records can tell: asked before one is merged into the other."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from apexfix.archive import ARCHIVE_NAME, Archive, open_archive
from apexfix.calibrate.steps import IGNORE, STEPS_NAME, read_steps
from apexfix.carried import claims
from apexfix.day import SITE_NAME
from apexfix.errors import FileError
from apexfix.model import Sighting, Site
from apexfix.records import MARK, Boot, Press, is_sound, record_from
from apexfix.units import SECOND_US

APART_H: Final = 12.0  # a night lies between the last flight of one day and the first of the next
_TELLING: Final = (1, 2)  # types of record: boot, press
_HOUR_US: Final = 3600 * SECOND_US


@dataclass(frozen=True, slots=True)
class Traces:
    """What tells the day of a folder."""

    folder: Path
    boots: tuple[Boot, ...]
    flown_utc_us: tuple[int, ...]  # of marks whose boot's clock was compared and of hand readings with a time, in order


def traces_of(folder: Path, by_hand: Iterable[Sighting]) -> Traces:
    """Return what tells the day of a folder. Presses of a calibration are no flight's.

    Raises
    ------
    FileError
        The archive or steps.csv cannot be used.
    """
    typed = [reading.utc_us for reading in by_hand if reading.utc_us is not None]
    if not (folder / ARCHIVE_NAME).exists():
        return Traces(folder, (), tuple(sorted(typed)))
    guided = read_steps(folder)
    with open_archive(folder / ARCHIVE_NAME) as archive:
        behind_us = {(e.serial, e.log, e.boot): e.t1_utc_us - e.t2_us for e in archive.exchanges()}
        boots, marks = [], []
        for serial, log, record in _records(archive):
            if isinstance(record, Boot):
                boots.append(record)
            elif record.kind == MARK and (serial, log, record.boot) in behind_us and (log, record.sequence) not in guided:
                marks.append(record.t_us + behind_us[serial, log, record.boot])
    return Traces(folder, tuple(boots), tuple(sorted(marks + typed)))


def _records(archive: Archive) -> Iterator[tuple[str, str, Boot | Press]]:
    for row in archive.rows(*_TELLING):
        if is_sound(row.raw):  # a merge may be what brings a damaged archive back
            record = record_from(row.raw)
            if isinstance(record, Boot | Press):
                yield row.serial, row.log, record


def demand_one_day(site: Site | None, ours: Traces, theirs: Traces) -> None:
    """Refuse folders of two days: their flights lie a night apart, or another unit stood at a station.

    Raises
    ------
    FileError
        Names the other folder, and what is to be done.
    """
    _demand_near(ours, theirs)
    if site:
        _demand_one_unit(site, ours, theirs)


def _demand_near(ours: Traces, theirs: Traces) -> None:
    if not (ours.flown_utc_us and theirs.flown_utc_us):
        return
    (our_first, *_, our_last), (their_first, *_, their_last) = (own.flown_utc_us * 2 for own in (ours, theirs))
    apart_h = max(our_first - their_last, their_first - our_last) / _HOUR_US
    if apart_h > APART_H:
        raise FileError(
            f"its flights are of {_span(theirs)}, those of {ours.folder} of {_span(ours)}: {apart_h:.0f} hours apart, at most "
            f"{APART_H:.0f} expected on one day. Nothing was merged; keep each day in a folder of its own. If they are of one day, "
            f"a line with the step {IGNORE} in {STEPS_NAME} leaves a press out that was no flight's",
            path=theirs.folder,
        )


def _span(own: Traces) -> str:
    first, last = (datetime.fromtimestamp(utc_us / SECOND_US, UTC) for utc_us in (own.flown_utc_us[0], own.flown_utc_us[-1]))
    return f"{first:%Y-%m-%d %H:%M} to {last:{'%H:%M' if first.date() == last.date() else '%Y-%m-%d %H:%M'}} UTC"


def _demand_one_unit(site: Site, ours: Traces, theirs: Traces) -> None:
    already = claims(site, ours.boots)
    for name, units in claims(site, (*ours.boots, *theirs.boots)).items():
        if len(units) > max(1, len(already.get(name, ()))):
            here, there = units[-1].serial, units[0].serial
            raise FileError(
                f"at station {name} stood unit {site.station(name).unit!r} with the serial {here}, in {ours.folder} with {there}; "
                "one unit at a station expected. Nothing was merged; keep two days in folders of their own. If both units stood "
                f"there on one day, name the one whose sightings count in {ours.folder / SITE_NAME}, "
                'unit = "SERIAL", and merge again',
                path=theirs.folder,
            )
