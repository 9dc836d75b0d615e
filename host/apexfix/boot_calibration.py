"""Which calibration reads a boot's samples: the one in the day's folder, else the one that the unit carried."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from apexfix.archive import Archive
from apexfix.calibrate.document import demand_fresh, demand_own, file_name, in_force
from apexfix.calibrate.gyro import stated_turn
from apexfix.calibrate.imu import ImuCalibration, carried_calibration
from apexfix.calibrate.tolerance import Tolerance, tolerance_of
from apexfix.clock import Clock, ClockKey
from apexfix.errors import CalibrationError
from apexfix.records import Boot


class Started(NamedTuple):
    """A boot of a unit, and when it was; None where its clock was never compared."""

    boot: Boot
    utc_us: int | None


def started(archive: Archive, known: Mapping[ClockKey, Clock]) -> Mapping[ClockKey, Started]:
    """Return the boots of an archive, and when each was by its clock."""
    boots = {ClockKey(b.serial, b.log, b.record.boot): b.record for b in archive.boots()}
    return {key: Started(boot, int(known[key].utc_us(0)[0]) if key in known else None) for key, boot in boots.items()}


@dataclass(frozen=True, slots=True)
class InForce:
    """The calibration that a boot's samples are read with, and the one that the unit itself used."""

    calibration: ImuCalibration
    own: ImuCalibration  # the unit's, as it carried it
    refused: str  # why the one in the folder, or the unit's own, was not taken, "" where it was
    tolerance: Tolerance  # what the first leaves
    carrying: Tolerance  # the same, but for turns: between presses the unit itself turned the heading, by the second
    is_own: bool  # whether the unit itself used the same, as far as anybody could tell


def calibration_in_force(folder: Path, started: Started) -> InForce:
    """Return what reads the samples of a boot: the calibration in the day's folder, else the one that the unit carried.

    A unit that carried the calibration of another one, or of a sensor that is no longer in it, counts as not calibrated; so does
    one whose calibration, carried or in the folder, was stale on that day.

    Raises
    ------
    FileError
        The file in the folder cannot be read.
    CalibrationError
        It is another unit's, or a field of it cannot be; names the file, or the unit and its boot.
    """
    boot = started.boot
    path = folder / file_name(boot.serial)
    found = in_force(folder, boot.serial, boot.value)
    in_folder = path.exists()
    source = str(path) if in_folder else f"unit {boot.unit}, boot {boot.boot}"
    imu, used = boot.value.get("imu"), _read(found, boot, source)
    own = _as_carried(boot) if in_folder else used
    refused = ("" if in_folder else _foreign(found, boot)) or _stale(found, started)
    if refused:
        uncalibrated = _uncalibrated(boot)
        said = f"unit {boot.unit} counts as not calibrated: {refused}"
        as_made = tolerance_of(imu, uncalibrated)
        return InForce(uncalibrated, own, said, as_made, as_made, _alike(uncalibrated, own))
    tolerance = tolerance_of(imu, used, _turn(found, source))
    turned = tolerance_of(imu, own) if in_folder else tolerance
    return InForce(used, own, "", tolerance, replace(tolerance, scale=turned.scale, cross=turned.cross), _alike(used, own))


def _alike(one: ImuCalibration, other: ImuCalibration) -> bool:
    names = ("accel_offset_g", "accel_matrix", "gyro_matrix", "tube_body")
    return all(np.allclose(getattr(one, name), getattr(other, name), rtol=0, atol=1e-6) for name in names)


def _as_carried(boot: Boot) -> ImuCalibration:
    try:
        return carried_calibration(boot.value)
    except CalibrationError:  # the unit cannot have used it either
        return _uncalibrated(boot)


def _uncalibrated(boot: Boot) -> ImuCalibration:
    return carried_calibration({**boot.value, "calibration": None})


def _read(found: object, boot: Boot, source: str) -> ImuCalibration:
    try:
        return carried_calibration({**boot.value, "calibration": found})
    except CalibrationError as error:
        raise CalibrationError(f"{source}: {error}") from error


def _turn(found: object, source: str) -> tuple[float, float] | None:
    """Return what a calibration states of the gyroscope's scale and cross axes, None where it states nothing."""
    try:
        return stated_turn(found) if isinstance(found, Mapping) else None
    except CalibrationError as error:
        raise CalibrationError(f"{source}: {error}") from error


def _foreign(carried: object, boot: Boot) -> str:
    """Return why the calibration that a unit carried is not its own; those that do not say whose they are pass."""
    if not isinstance(carried, Mapping) or carried.get("serial") is None:
        return ""
    imu = boot.value.get("imu")
    return _refusal(lambda: demand_own(carried, boot.serial, None if imu is None else str(imu)))


def _stale(found: object, started: Started) -> str:
    """Return why a calibration was too old on the day; one that tells no date passes, and a boot whose date nobody knows."""
    at_us = started.utc_us
    if at_us is None or not isinstance(found, Mapping) or found.get("date_utc") is None:
        return ""
    return _refusal(lambda: demand_fresh(found, at_us))


def _refusal(demand: Callable[[], None]) -> str:
    try:
        demand()
    except CalibrationError as error:
        return str(error)
    return ""
