"""What a calibration folder holds: the archive's mark presses, and what each of them was.

The folder holds `archive.sqlite` as pulled, `steps.csv` (what each press was: one that is not listed there is none of ours, an old
flight's or an accident; without the file every press is a pose), `targets.csv`, and, in the end, `calibration-SERIAL.json`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from apexfix.archive import ARCHIVE_NAME, Archive, Stored, open_archive
from apexfix.calibrate.imu import ImuCalibration, carried_calibration
from apexfix.calibrate.steps import IGNORE, POSE, Step, read_steps, read_targets
from apexfix.calibrate.stillness import Samples, samples_of
from apexfix.calibrate.target import Target
from apexfix.clock import Clock, ClockKey, clocks
from apexfix.errors import CalibrationError, FileError
from apexfix.records import MARK, Boot, Press


class Item(NamedTuple):
    """One mark press of the calibration, what it was, and its samples."""

    step: Step
    press: Press
    samples: Samples
    angle: int | None  # of the stand's axis, 4096ths of a turn; None where the unit saw no encoder's magnet


@dataclass(frozen=True, slots=True)
class Bench:
    """Everything that was recorded for one unit."""

    serial: str
    unit: str
    imu: str
    pulled_utc_us: int  # the last time
    nominal: ImuCalibration
    items: tuple[Item, ...]
    targets: tuple[Target, ...]
    clocks: Mapping[ClockKey, Clock]

    def of(self, kind: str) -> tuple[Item, ...]:
        """Return the presses of one kind of step, in the order of the log."""
        return tuple(item for item in self.items if item.step.kind == kind)

    def utc_us(self, *kinds: str) -> int:
        """Return when the last press of some kinds of step was made; the last pull where no clock or no press tells."""
        keys = [(item, ClockKey(self.serial, item.step.log, item.press.boot)) for kind in kinds for item in self.of(kind)]
        told = [int(self.clocks[key].utc_us(item.press.t_us)[0]) for item, key in keys if key in self.clocks]
        return max(told, default=self.pulled_utc_us)


def read_bench(folder: Path, serial: str | None = None) -> Bench:
    """Return what a calibration folder holds of a unit.

    Parameters
    ----------
    serial
        May be None where only one unit was pulled.

    Raises
    ------
    FileError
        A file cannot be read.
    CalibrationError
        Nothing was pulled, or several units were and none is named.
    """
    path = folder / ARCHIVE_NAME
    if not path.exists():
        raise FileError("there is no such file; record the poses first, or pull the unit into this folder", path=path)
    steps, targets = read_steps(folder), read_targets(folder)
    with open_archive(path) as archive:
        own = _the_unit(archive, serial)
        boots = {(b.log, b.record.boot): b.record for b in archive.boots() if b.serial == own}
        if not boots:
            raise CalibrationError(f"no boot record of serial {own} in {path}; pull the unit again")
        angles = {(a.log, a.record.press): a.record.angle for a in archive.axes() if a.serial == own}
        items = [_item(archive, p, boots, steps, angles) for p in archive.presses() if p.serial == own and p.record.kind == MARK]
        pulled = max((p.utc_us for p in archive.pulls() if p.serial == own), default=0)
        known = clocks(exchange for exchange in archive.exchanges() if exchange.serial == own)
    last = list(boots.values())[-1]
    found = tuple(item for item in items if item is not None and item.step.kind != IGNORE)
    return Bench(own, last.unit, str(last.value.get("imu", "")), pulled, _nominal(last), found, targets, known)


def _the_unit(archive: Archive, serial: str | None) -> str:
    serials = {unit.serial: unit.name for unit in archive.units()}
    known = ", ".join(f"{name} ({number})" for number, name in serials.items()) or "none"
    matching = [number for number, name in serials.items() if serial is None or serial in (number, name)]
    if len(matching) != 1:
        raise CalibrationError(f"the folder holds the units {known}; name one of them with --unit")
    return matching[0]


def _item(
    archive: Archive,
    stored: Stored[Press],
    boots: Mapping[tuple[str, int], Boot],
    steps: Mapping[tuple[str, int], Step],
    angles: Mapping[tuple[str, int], int],
) -> Item | None:
    press = stored.record
    boot = boots.get((stored.log, press.boot))
    windows = archive.windows(stored)
    if boot is None or not windows:
        return None
    step = steps.get((stored.log, press.sequence), Step(stored.log, press.sequence, IGNORE if steps else POSE))
    return Item(step, press, samples_of(windows, _nominal(boot)), angles.get((stored.log, press.sequence)))


def _nominal(boot: Boot) -> ImuCalibration:
    """Return the sensitivities and the mounting of a boot, without the calibration that the unit carried then."""
    return carried_calibration({**boot.value, "calibration": None})
