"""Every press of a unit as a direction in the unit's own level frame, from raw samples and the calibration in force."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

from apexfix.archive import Archive, Stored
from apexfix.attitude import Pointing, Stretch, pointing_of
from apexfix.calibrate.document import demand_own, file_name, in_force
from apexfix.calibrate.imu import ImuCalibration, carried_calibration, rate_rad_s, specific_force_g
from apexfix.clock import ClockKey
from apexfix.errors import CalibrationError
from apexfix.model import Station, Vector
from apexfix.records import Boot, Press, Window
from apexfix.smoother import Smoothed, smoothed
from apexfix.units import SECOND_US

# Of a gyroscope: how much of a turn is missing or too much. From the tolerances of the data sheets, and what a few full turns leave
# of them (common practice; the second also for a part that its maker calibrated).
SIGMA_SCALE_NOMINAL: Final = 0.015
SIGMA_SCALE_CALIBRATED: Final = 0.003
_FURTHEST_US: Final = SECOND_US // 4  # of the nearest sample from its press: the unit itself gives up there (docs/protocol.md)


class RunKey(NamedTuple):
    """One stretch in which a unit kept its heading."""

    boot: ClockKey
    run: int


@dataclass(frozen=True, slots=True)
class InForce:
    """The calibration that a boot's samples are read with, and the one that the unit itself used."""

    calibration: ImuCalibration
    own: ImuCalibration  # the unit's, as it carried it
    refused: str  # why the unit's own was not taken, "" where it was or a file stood before it

    @property
    def is_own(self) -> bool:
        """Whether the unit itself used the same, as far as anybody could tell."""
        names = ("accel_offset_g", "accel_matrix", "gyro_matrix", "tube_body")
        return all(np.allclose(getattr(self.calibration, name), getattr(self.own, name), rtol=0, atol=1e-6) for name in names)


@dataclass(frozen=True, slots=True)
class Pressed:
    """One press of a unit that stood at a station."""

    station: Station
    unit: str
    run: RunKey
    press: Press
    in_force: InForce
    heading_rad: float
    elevation_rad: float
    track: Pointing | None  # around the press; None where no samples came
    sigma_tilt_rad: float  # of the elevation, against gravity, from the samples; infinite where they do not tell
    unit_elevation_rad: float  # what the unit made of it at once, by the tube's axis in force


def calibration_in_force(folder: Path, boot: Boot) -> InForce:
    """Return what reads the samples of a boot: the calibration in the day's folder, else the one that the unit carried.

    A unit that carried the calibration of another one, or of a sensor that is no longer in it, counts as not calibrated.

    Raises
    ------
    FileError
        The file in the folder cannot be read.
    CalibrationError
        It is another unit's, or a field of it cannot be; names the file, or the unit and its boot.
    """
    path = folder / file_name(boot.serial)
    found = in_force(folder, boot.serial, boot.value)
    if path.exists():
        return _from_file(path, found, boot)
    source = f"unit {boot.unit}, boot {boot.boot}"
    own = _read(found, boot, source)
    refused = _foreign(found, boot)
    return InForce(_read(None, boot, source) if refused else own, own, refused)


def _from_file(path: Path, found: object, boot: Boot) -> InForce:
    used = _read(found, boot, str(path))
    try:
        own = carried_calibration(boot.value)
    except CalibrationError:  # the unit cannot have used it either
        own = carried_calibration({**boot.value, "calibration": None})
    return InForce(used, own, "")


def _read(found: object, boot: Boot, source: str) -> ImuCalibration:
    try:
        return carried_calibration({**boot.value, "calibration": found})
    except CalibrationError as error:
        raise CalibrationError(f"{source}: {error}") from error


def _foreign(carried: object, boot: Boot) -> str:
    """Return why the calibration that a unit carried is not its own; those that do not say whose they are pass."""
    if not isinstance(carried, Mapping) or carried.get("serial") is None:
        return ""
    imu = boot.value.get("imu")
    try:
        demand_own(carried, boot.serial, None if imu is None else str(imu))
    except CalibrationError as error:
        return f"unit {boot.unit} counts as not calibrated: {error}"
    return ""


# --- from samples to directions -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Raw:
    """A press that can be placed, before its samples are read."""

    station: Station
    unit: str
    run: RunKey
    press: Press
    windows: tuple[Window, ...]
    in_force: InForce


def pressed_at(
    archive: Archive,
    presses: Iterable[Stored[Press]],
    stations: Mapping[str, Station],
    boots: Mapping[ClockKey, Boot],
    folder: Path,
) -> tuple[Pressed, ...]:
    """Return those of the presses that give a direction.

    Parameters
    ----------
    stations
        By the serial of the unit that stood there.
    folder
        Of the day; may hold calibrations.

    Raises
    ------
    FileError, CalibrationError
        As for :func:`calibration_in_force`.
    """
    used = {key: calibration_in_force(folder, boot) for key, boot in boots.items() if boot.serial in stations}
    raw = []
    for stored in presses:
        key = ClockKey(stored.serial, stored.log, stored.record.boot)
        # a unit whose motion sensor was silent says so with an attitude of zeros (docs/protocol.md, section 4)
        if key in used and any(stored.record.level_from_body):
            run = RunKey(key, stored.record.run)
            raw.append(_Raw(stations[stored.serial], boots[key].unit, run, stored.record, archive.windows(stored), used[key]))
    stretches = [_stretch(one) for one in raw]
    seen = iter(smoothed([one for one in stretches if one is not None]))
    return tuple(_alone(one) if own is None else _with(one, own, next(seen)) for one, own in zip(raw, stretches, strict=True))


def _stretch(one: _Raw) -> Stretch | None:
    """Return the calibrated samples around a press, None where none is near it."""
    pieces = sorted({window.first: window for window in one.windows}.values(), key=lambda window: window.first)
    if not any(np.any(np.abs(piece.t_us) < _FURTHEST_US) for piece in pieces):
        return None
    calibration = one.in_force.calibration
    calibrated_gyro = not np.array_equal(calibration.gyro_matrix, np.eye(3))
    return Stretch(
        t_us=np.concatenate([piece.t_us.astype(np.int64) for piece in pieces]) + one.press.t_us,
        rate_rad_s=rate_rad_s(calibration, np.concatenate([piece.gyro_counts for piece in pieces]), _still_offset(one)),
        force_g=specific_force_g(calibration, np.concatenate([piece.accel_counts for piece in pieces])),
        at_us=one.press.t_us,
        attitude_wxyz=np.array(one.press.level_from_body),
        sigma_scale=SIGMA_SCALE_CALIBRATED if calibrated_gyro else SIGMA_SCALE_NOMINAL,
    )


def _still_offset(one: _Raw) -> Vector:
    """Return the still offset of the gyroscope (3,) as the calibration in force has it; the unit logged it by its own."""
    used, own = one.in_force.calibration, one.in_force.own
    sensor = np.linalg.pinv(own.gyro_matrix) @ own.body_from_sensor.T @ np.array(one.press.gyro_offset_rad_s)
    return np.asarray(used.body_from_sensor @ used.gyro_matrix @ sensor)


def _alone(one: _Raw) -> Pressed:
    """Return a press without samples: the unit's own attitude stands."""
    heading, elevation = _by_unit(one)
    return Pressed(one.station, one.unit, one.run, one.press, one.in_force, heading, elevation, None, np.inf, elevation)


def _with(one: _Raw, stretch: Stretch, seen: Smoothed) -> Pressed:
    heading, elevation = pointing_of(seen.level_from_body, one.in_force.calibration.tube_body)
    at = int(np.argmin(np.abs(stretch.t_us - one.press.t_us)))
    return Pressed(
        station=one.station,
        unit=one.unit,
        run=one.run,
        press=one.press,
        in_force=one.in_force,
        heading_rad=float(heading[at]),
        elevation_rad=float(elevation[at]),
        track=Pointing(stretch.t_us, heading, elevation),
        sigma_tilt_rad=seen.sigma_tilt_rad,
        unit_elevation_rad=_by_unit(one)[1],
    )


def _by_unit(one: _Raw) -> tuple[float, float]:
    attitude = Rotation.from_quat([one.press.level_from_body], scalar_first=True)
    heading, elevation = pointing_of(attitude, one.in_force.calibration.tube_body)
    return float(heading[0]), float(elevation[0])
