"""The folders of two laptops that were used on the same day, as one: units' records, hand readings, decisions and all other files.

Nothing that stands in the first folder is changed, and nothing of the second is lost without a word: what cannot be joined by
itself becomes a sentence that says what to do.
"""

import fnmatch
import os
import shlex
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Final, Generic, TypeVar

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.bundle import LARGEST_DAY_BYTES, files_of
from apexfix.calibrate.document import ALL_FILES, read_document
from apexfix.calibrate.steps import STAND, STEPS_NAME, append_step, read_steps, set_ups
from apexfix.day import SIGHTINGS_NAME, SITE_NAME, read_sightings, read_site, sightings_text
from apexfix.decisions import ASSIGNMENTS_NAME, Decision, add_decision, read_decisions
from apexfix.errors import FileError
from apexfix.merge import Merged, merge
from apexfix.model import Sighting, Site
from apexfix.same_day import demand_one_day, traces_of
from apexfix.text_file import append_text, read_bytes, write_bytes
from apexfix.units import DEG

T = TypeVar("T")
_SAID_AGAIN: Final = "kept when the folder of another laptop was merged"
_JOINED: Final = (SIGHTINGS_NAME, ASSIGNMENTS_NAME, STEPS_NAME)
_NOTHING: Final = Merged(0, 0, 0, ())


@dataclass(frozen=True, slots=True)
class MergedDay:
    """What one folder took from another."""

    archive: Merged
    readings: int  # lines added to sightings.csv
    decisions: int  # lines added to assignments.csv
    steps: int  # lines added to steps.csv
    copied: tuple[str, ...]  # files that were missing
    notes: tuple[str, ...]  # what both have and say differently, with what to do


def merge_day(day: Path, other: Path) -> MergedDay:
    """Add to the folder of a day what another laptop's folder of the same day holds beyond it; that one is only read.

    Everything is read and checked before anything is written. Again is the same as once, and a merge that was stopped goes on.
    Where both folders say something else of one thing, the first keeps what it has and the difference is told.

    Raises
    ------
    FileError
        The other folder is none or of another day, or a file in one of them cannot be used; the message names it.
    """
    theirs = files_of(other)
    _check_sizes(theirs, other)
    site = _site(day, other)
    hand = [_hand_readings(folder, site) for folder in (day, other)]
    demand_one_day(site, *(traces_of(folder, own) for folder, own in zip((day, other), hand, strict=True)))
    joined = [name for name in _JOINED if name in theirs and (day / name).exists() and (site or name != SIGHTINGS_NAME)]
    whole = {name: path for name, path in theirs.items() if name not in (ARCHIVE_NAME, *joined)}
    missing = tuple(name for name in whole if not (day / name).exists())
    _check_readable(other, missing)
    shares = [
        _join_readings((day, other), site, hand) if site and SIGHTINGS_NAME in joined else _NO_SHARE,
        _join_decisions(day, other) if ASSIGNMENTS_NAME in joined else _NO_SHARE,
        _join_steps(day, other) if STEPS_NAME in joined else _NO_SHARE,
    ]
    notes = (*_differing(day, whole), *chain.from_iterable(share.notes for share in shares))
    for name in missing:
        _write_whole(day / name, read_bytes(whole[name], LARGEST_DAY_BYTES))
    for share in shares:
        if share.lines:
            share.write()
    archive = _join_archives(day, other) if ARCHIVE_NAME in theirs else _NOTHING
    readings, decisions, steps = (share.lines for share in shares)
    return MergedDay(archive, readings, decisions, steps, missing, notes)


def _site(day: Path, other: Path) -> Site | None:
    """Return the site that the merged folder will have; None where neither has one."""
    path = next((folder / SITE_NAME for folder in (day, other) if (folder / SITE_NAME).exists()), None)
    return None if path is None else read_site(path)


def _hand_readings(folder: Path, site: Site | None) -> tuple[Sighting, ...]:
    path = folder / SIGHTINGS_NAME
    return read_sightings(path, site) if site and path.exists() else ()


def _join_archives(day: Path, other: Path) -> Merged:
    with open_archive(day / ARCHIVE_NAME) as into, open_archive(other / ARCHIVE_NAME) as source:
        return merge(into, source)


# --- files that are taken as a whole --------------------------------------------------------------------------------


def _check_sizes(theirs: dict[str, Path], other: Path) -> None:
    total = sum(path.stat().st_size for path in theirs.values())
    if total > LARGEST_DAY_BYTES:
        raise FileError(f"{total} bytes of files seen, at most {LARGEST_DAY_BYTES} expected in the folder of a day", path=other)


def _check_readable(other: Path, missing: Sequence[str]) -> None:
    """Read what is going to be copied as the next reduction will: an error in it is told here. Hand readings were read before."""
    if ASSIGNMENTS_NAME in missing:
        read_decisions(other)
    if STEPS_NAME in missing:
        read_steps(other)
    for name in fnmatch.filter(missing, ALL_FILES):
        read_document(other / name)


def _differing(day: Path, theirs: Mapping[str, Path]) -> Iterator[str]:
    """Yield a sentence about each file that is there with other bytes."""
    for name, path in theirs.items():
        if (day / name).exists() and read_bytes(day / name, LARGEST_DAY_BYTES) != read_bytes(path, LARGEST_DAY_BYTES):
            yield f"{name} differs in {path.parent}: yours stays in force; compare the two and copy the one that you trust"


def _write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is there as a whole or not at all."""
    unfinished = path.with_name(f".{path.name}.part")
    write_bytes(unfinished, content)
    os.replace(unfinished, path)


# --- files whose last line about a subject counts -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Share:
    """What one file takes from the other: read and checked, not yet written."""

    lines: int
    write: Callable[[], None]
    notes: Sequence[str]


_NO_SHARE: Final = _Share(0, lambda: None, ())


def _join_readings(folders: tuple[Path, Path], site: Site, hand: Sequence[tuple[Sighting, ...]]) -> _Share:
    day, other = folders
    ours, theirs = hand
    joined = _joined(ours, theirs, lambda reading: (reading.flight, reading.station), _reading)
    again = tuple(replace(reading, note=_SAID_AGAIN) for reading in joined.again)
    text = sightings_text(day / SIGHTINGS_NAME, (*joined.fresh, *again), site) if joined.fresh else ""
    notes = [
        f"flight {own.flight}, station {own.station}: {_reading(own)} here, {_reading(their)} in {other}; "
        f"yours counts; if theirs is right, add it at the end of {SIGHTINGS_NAME} or enter it with: apexfix enter {_typed(day)}"
        for own, their in joined.disputed
    ]
    return _Share(len(joined.fresh), lambda: append_text(day / SIGHTINGS_NAME, text), notes)


def _join_decisions(day: Path, other: Path) -> _Share:
    ours, theirs = read_decisions(day), read_decisions(other)
    joined = _joined(ours, theirs, lambda decision: decision.mark, lambda decision: decision.verdict)
    now_us = time.time_ns() // 1000
    again = tuple(replace(own, decided_utc_us=now_us, note=_SAID_AGAIN) for own in joined.again)
    notes = [
        f"mark {own.mark}: {_verdict(own)} here, {_verdict(their)} in {other}; yours counts; "
        f"settle it with: apexfix assign {_typed(day)} {own.mark} FLIGHT"
        for own, their in joined.disputed
    ]
    return _Share(len(joined.fresh), lambda: add_decision(day, *joined.fresh, *again), notes)


def _join_steps(day: Path, other: Path) -> _Share:
    """Add what presses were; the set-ups of stands are counted on, for each laptop counts its own from one."""
    ours, theirs = read_steps(day), read_steps(other)
    known = set_ups(ours)
    fresh = [step for key, step in theirs.items() if key not in ours]
    counted = [replace(step, set=step.set + known) if step.kind == STAND else step for step in fresh]
    notes = [
        f"press {record} of log {log} was a step '{ours[log, record].kind}' here, '{step.kind}' in {other}; yours counts; "
        f"if theirs is right, enter it at the end of {STEPS_NAME}"
        for (log, record), step in theirs.items()
        if (log, record) in ours and ours[log, record].kind != step.kind
    ]
    return _Share(len(fresh), lambda: append_step(day, *counted), notes)


@dataclass(frozen=True, slots=True)
class _Joined(Generic[T]):
    """What has to be done so that lines of two files are in one, and the right one of each subject is the last."""

    fresh: tuple[T, ...]  # lines of theirs that ours lack
    again: tuple[T, ...]  # lines to be said once more behind them
    disputed: tuple[tuple[T, T], ...]  # our and their last line of a subject on which both went on, to different ends


def _joined(ours: Sequence[T], theirs: Sequence[T], subject: Callable[[T], Hashable], said: Callable[[T], Hashable]) -> _Joined[T]:
    fresh = _beyond(theirs, ours)
    gone_on = {subject(line) for line in _beyond(ours, theirs)}
    our_last, their_last, last = ({subject(line): line for line in lines} for lines in (ours, theirs, (*ours, *fresh)))
    about = dict.fromkeys(subject(line) for line in fresh)
    in_force = {one: our_last[one] if one in gone_on else their_last[one] for one in about}
    return _Joined(
        fresh=fresh,
        again=tuple(line for one, line in in_force.items() if said(line) != said(last[one])),
        disputed=tuple((line, their_last[one]) for one, line in in_force.items() if said(line) != said(their_last[one])),
    )


def _beyond(lines: Iterable[T], known: Iterable[T]) -> tuple[T, ...]:
    """Return the lines that are not among the known ones, each as often as it is there more."""
    left = Counter(known)
    beyond = []
    for line in lines:
        left[line] -= 1
        if left[line] < 0:
            beyond.append(line)
    return tuple(beyond)


def _reading(reading: Sighting) -> str:
    elevation = f"elevation {reading.elevation_rad / DEG:.4f}°"
    return elevation if reading.azimuth_rad is None else f"azimuth {reading.azimuth_rad / DEG:.4f}°, {elevation}"


def _verdict(decision: Decision) -> str:
    return {"": "taken back", "-": "set aside"}.get(str(decision.verdict), f"flight {decision.verdict}")


def _typed(path: Path) -> str:
    """Return a path as a command line takes it, with spaces and all."""
    return subprocess.list2cmdline([path]) if os.name == "nt" else shlex.quote(str(path))
