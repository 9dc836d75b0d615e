"""What the encoders on the stands of a day recorded: the axis at every press, and how the stands lean."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from apexfix.archive import Archive, Stored
from apexfix.boot_calibration import calibration_in_force, started
from apexfix.calibrate.encoder import Eccentricity, nominal_eccentricity, reading_rad
from apexfix.calibrate.imu import ImuCalibration, tube_elevation_rad
from apexfix.calibrate.stand import StandAxis, levelled_axis, stand_axis
from apexfix.calibrate.steps import STAND, Step, read_steps
from apexfix.calibrate.stillness import AIM, rest_around, samples_of
from apexfix.clock import ClockKey, clocks
from apexfix.errors import CalibrationError
from apexfix.pressed import Pressed
from apexfix.records import REFERENCE, Press
from apexfix.units import DEG

# Of one elevation while a clamped tube is turned through the horizon: clamp, bearing, and the hand that presses; common practice.
SIGMA_CLAMPED_RAD: Final = 0.05 * DEG

Steps = Mapping[tuple[str, int], Step]  # log and sequence of a press -> what it was


class LogKey(NamedTuple):
    """One log of one unit."""

    serial: str
    log: str


@dataclass(frozen=True, slots=True)
class Levelled:
    """One set-up of a stand, and how its axis leans."""

    number: int
    last: int  # sequence of the last press of its turn
    axis: StandAxis


@dataclass(frozen=True, slots=True)
class Sight:
    """One backsight as the stand's axis has it."""

    t_us: int
    reading_rad: float
    elevation_rad: float


@dataclass(frozen=True, slots=True)
class Stands:
    """What the encoders of a day say."""

    readings: Mapping[tuple[LogKey, int], float]  # log and sequence of a press -> angle as read
    backsights: Mapping[ClockKey, tuple[Sight, ...]]
    turns: Mapping[LogKey, tuple[Levelled, ...]]  # in the order of their last presses
    remarks: tuple[str, ...]

    def reading_rad(self, pressed: Pressed) -> float | None:
        """Return the encoder's angle at a press, None where the unit saw none."""
        return self.readings.get((_log(pressed), pressed.press.sequence))

    def axis(self, pressed: Pressed) -> StandAxis:
        """Return the axis of the stand at a press: by the last turn before it, else the next, else as a spirit level leaves it."""
        turns = self.turns.get(_log(pressed), ())
        before = [turn.axis for turn in turns if turn.last < pressed.press.sequence]
        return before[-1] if before else turns[0].axis if turns else levelled_axis()


def stands_of(archive: Archive, folder: Path, presses: Iterable[Pressed], steps: Steps) -> Stands:
    """Return what the encoders say at the presses of a day that give directions.

    Parameters
    ----------
    steps
        What presses were by the folder's steps.csv.

    Raises
    ------
    FileError, CalibrationError
        As of :func:`apexfix.boot_calibration.calibration_in_force`.
    """
    readings = _readings(archive)
    backsights: dict[ClockKey, list[Sight]] = defaultdict(list)
    for pressed in presses:
        reading = readings.get((_log(pressed), pressed.press.sequence))
        if pressed.press.kind == REFERENCE and reading is not None:
            backsights[pressed.run.boot].append(Sight(pressed.press.t_us, reading, pressed.elevation_rad))
    turns, remarks = _turns(archive, folder, readings, steps)
    return Stands(readings, {boot: tuple(own) for boot, own in backsights.items()}, turns, remarks)


def stand_turns(archive: Archive, folder: Path) -> tuple[Mapping[LogKey, tuple[Levelled, ...]], tuple[str, ...]]:
    """Return how the stands lean, from the presses that steps.csv in a folder names, and why others are not used.

    Raises
    ------
    FileError, CalibrationError
        As for :func:`stands_of`; or steps.csv in the folder cannot be read.
    """
    return _turns(archive, folder, _readings(archive), read_steps(folder))


def _turns(
    archive: Archive, folder: Path, readings: Mapping[tuple[LogKey, int], float], steps: Steps
) -> tuple[Mapping[LogKey, tuple[Levelled, ...]], tuple[str, ...]]:
    turned = {key: step for key, step in steps.items() if step.kind == STAND}
    if not turned:
        return {}, ()
    seen: dict[tuple[LogKey, int], list[tuple[int, float, float]]] = defaultdict(list)
    refused = []
    for stored, step, unit, used in _named(archive, folder, turned):
        log, sequence = LogKey(stored.serial, stored.log), stored.record.sequence
        try:
            direction = sequence, _angle_rad(used, readings.get((log, sequence))), _elevation_rad(archive, stored, used)
            seen[log, step.set].append(direction)
        except CalibrationError as error:
            refused.append(f"unit {unit}: press {sequence} ({step.kind}) is not used: {error}")
    return _leaning(seen, refused), tuple(refused)


def last_turn(turns: Mapping[LogKey, tuple[Levelled, ...]], serial: str) -> StandAxis:
    """Return how the stand of a unit leans by its last turn; CalibrationError where there is none."""
    own = [turn for log, found in turns.items() if log.serial == serial for turn in found]
    if not own:
        raise CalibrationError(
            "no turn of the stand through the horizon seen; clamp the tube, give the unit's port with --port and turn the stand "
            "as you are asked"
        )
    return max(own, key=lambda turn: turn.number).axis


def eccentricity(calibration: ImuCalibration) -> Eccentricity:
    """Return the eccentricity of the encoder that a unit reads: by its calibration, else what magnets are placed to."""
    return nominal_eccentricity() if calibration.encoder is None else calibration.encoder


def _readings(archive: Archive) -> dict[tuple[LogKey, int], float]:
    return {(LogKey(a.serial, a.log), a.record.press): float(reading_rad(a.record.angle)) for a in archive.axes()}


def _log(pressed: Pressed) -> LogKey:
    return LogKey(pressed.run.boot.serial, pressed.run.boot.log)


def _named(
    archive: Archive, folder: Path, steps: Steps
) -> Iterator[tuple[Stored[Press], Step, str, ImuCalibration]]:
    """Yield the presses of steps, what each was, the unit's name, and the calibration in force at its boot."""
    starts = started(archive, clocks(archive.exchanges()))
    used: dict[ClockKey, ImuCalibration] = {}
    for stored in archive.presses():
        step = steps.get((stored.log, stored.record.sequence))
        key = ClockKey(stored.serial, stored.log, stored.record.boot)
        if step is not None and key in starts:
            if key not in used:
                used[key] = calibration_in_force(folder, starts[key]).calibration
            yield stored, step, starts[key].boot.unit, used[key]


def _angle_rad(used: ImuCalibration, reading: float | None) -> float:
    if reading is None:
        raise CalibrationError("the unit saw no encoder with a magnet on its stand's axis; without one the lean does no harm")
    return float(eccentricity(used).angle_rad(reading))


def _elevation_rad(archive: Archive, stored: Stored[Press], used: ImuCalibration) -> float:
    return tube_elevation_rad(used, rest_around(samples_of(archive.windows(stored), used), 0, AIM).force_g)


def _leaning(
    seen: Mapping[tuple[LogKey, int], list[tuple[int, float, float]]], refused: list[str]
) -> Mapping[LogKey, tuple[Levelled, ...]]:
    found: dict[LogKey, list[Levelled]] = defaultdict(list)
    for (log, number), directions in seen.items():
        last, angle, elevation = (np.array(column) for column in zip(*directions, strict=True))
        try:
            found[log].append(Levelled(number, int(last.max()), stand_axis(angle, elevation, SIGMA_CLAMPED_RAD)))
        except CalibrationError as error:
            refused.append(f"turn {number} of the stand of the unit with serial {log.serial} is not used: {error}")
    return {log: tuple(sorted(own, key=lambda turn: turn.last)) for log, own in found.items()}
