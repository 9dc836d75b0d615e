"""The folders of two laptops that were used on the same day, as one: units' records, hand readings, decisions and all other files.

Nothing that stands in the first folder is changed, and nothing of the second is lost without a word: what cannot be joined by
itself becomes a sentence that says what to do.
"""

import os
import time
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Generic, TypeVar

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.bundle import LARGEST_DAY_BYTES, files_of
from apexfix.calibrate.steps import STAND, STEPS_NAME, append_step, read_steps, set_ups
from apexfix.day import SIGHTINGS_NAME, SITE_NAME, append_sightings, read_sightings, read_site
from apexfix.decisions import ASSIGNMENTS_NAME, Decision, add_decision, read_decisions
from apexfix.errors import FileError
from apexfix.merge import Merged, merge
from apexfix.model import Sighting
from apexfix.text_file import read_bytes, write_bytes
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

    Again is the same as once, and a merge that was stopped goes on. Where both folders say something else of one thing, the first
    keeps what it has and the difference is told.

    Raises
    ------
    FileError
        The other folder is none, or a file in one of them cannot be used; the message names it.
    """
    theirs = files_of(other)
    _check_sizes(theirs, other)
    both = [name for name in _JOINED if name in theirs and (day / name).exists()]
    copied, notes = _copy_missing(day, {name: path for name, path in theirs.items() if name not in (ARCHIVE_NAME, *both)})
    readings, about_readings = _join_readings(day, other) if SIGHTINGS_NAME in both else (0, [])
    decisions, about_decisions = _join_decisions(day, other) if ASSIGNMENTS_NAME in both else (0, [])
    steps, about_steps = _join_steps(day, other) if STEPS_NAME in both else (0, [])
    archive = _join_archives(day, other) if ARCHIVE_NAME in theirs else _NOTHING
    return MergedDay(archive, readings, decisions, steps, copied, (*notes, *about_readings, *about_decisions, *about_steps))


def _join_archives(day: Path, other: Path) -> Merged:
    with open_archive(day / ARCHIVE_NAME) as into, open_archive(other / ARCHIVE_NAME) as source:
        return merge(into, source)


# --- files that are taken as a whole --------------------------------------------------------------------------------


def _check_sizes(theirs: dict[str, Path], other: Path) -> None:
    total = sum(path.stat().st_size for path in theirs.values())
    if total > LARGEST_DAY_BYTES:
        raise FileError(f"{total} bytes of files seen, at most {LARGEST_DAY_BYTES} expected in the folder of a day", path=other)


def _copy_missing(day: Path, theirs: dict[str, Path]) -> tuple[tuple[str, ...], list[str]]:
    """Copy what is missing; of a file that is there with other bytes only a sentence is made."""
    copied, notes = [], []
    for name, path in theirs.items():
        content = read_bytes(path, LARGEST_DAY_BYTES)
        if not (day / name).exists():
            _write_whole(day / name, content)
            copied.append(name)
        elif read_bytes(day / name, LARGEST_DAY_BYTES) != content:
            notes.append(f"{name} differs in {path.parent}: yours stays in force; compare the two and copy the one that you trust")
    return tuple(copied), notes


def _write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is there as a whole or not at all."""
    unfinished = path.with_name(f".{path.name}.part")
    write_bytes(unfinished, content)
    os.replace(unfinished, path)


# --- files whose last line about a subject counts -------------------------------------------------------------------


def _join_readings(day: Path, other: Path) -> tuple[int, list[str]]:
    site = read_site(day / SITE_NAME)
    ours, theirs = (read_sightings(folder / SIGHTINGS_NAME, site) for folder in (day, other))
    joined = _joined(ours, theirs, lambda reading: (reading.flight, reading.station), _reading)
    if joined.fresh:
        again = (replace(reading, note=_SAID_AGAIN) for reading in joined.again)
        append_sightings(day / SIGHTINGS_NAME, (*joined.fresh, *again), site)
    return len(joined.fresh), [
        f"flight {own.flight}, station {own.station}: {_reading(own)} here, {_reading(their)} in {other}; "
        f"yours counts; if theirs is right, enter it with 'apexfix enter' or at the end of {SIGHTINGS_NAME}"
        for own, their in joined.disputed
    ]


def _join_decisions(day: Path, other: Path) -> tuple[int, list[str]]:
    ours, theirs = read_decisions(day), read_decisions(other)
    joined = _joined(ours, theirs, lambda decision: decision.mark, lambda decision: decision.verdict)
    if joined.fresh:
        now_us = time.time_ns() // 1000
        add_decision(day, *joined.fresh, *(replace(own, decided_utc_us=now_us, note=_SAID_AGAIN) for own in joined.again))
    return len(joined.fresh), [
        f"mark {own.mark}: {_verdict(own)} here, {_verdict(their)} in {other}; yours counts; "
        f"settle it with 'apexfix assign {day} {own.mark} FLIGHT'"
        for own, their in joined.disputed
    ]


def _join_steps(day: Path, other: Path) -> tuple[int, list[str]]:
    """Add what presses were; the set-ups of stands are counted on, for each laptop counts its own from one."""
    ours, theirs = read_steps(day), read_steps(other)
    known = set_ups(ours)
    fresh = [step for key, step in theirs.items() if key not in ours]
    append_step(day, *(replace(step, set=step.set + known) if step.kind == STAND else step for step in fresh))
    return len(fresh), [
        f"press {record} of log {log} was a step '{ours[log, record].kind}' here, '{step.kind}' in {other}; yours counts; "
        f"if theirs is right, enter it at the end of {STEPS_NAME}"
        for (log, record), step in theirs.items()
        if (log, record) in ours and ours[log, record].kind != step.kind
    ]


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
