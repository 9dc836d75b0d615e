"""Every press of a unit as a direction in the unit's own level frame, from raw samples and the calibration in force."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

from apexfix.archive import Archive, Stored
from apexfix.attitude import Pointing, Stretch, pointing_of
from apexfix.calibrate.document import demand_fresh, demand_own, file_name, in_force
from apexfix.calibrate.imu import ImuCalibration, carried_calibration, rate_rad_s, specific_force_g
from apexfix.calibrate.tolerance import Tolerance, tolerance_of
from apexfix.clock import ClockKey
from apexfix.errors import CalibrationError
from apexfix.heading import Look
from apexfix.model import Station, Vector
from apexfix.records import Boot, Press, Window
from apexfix.smoother import smoothed
from apexfix.units import SECOND_US

_FURTHEST_US: Final = SECOND_US // 4  # of the nearest sample from its press: the unit itself gives up there (docs/protocol.md)


class RunKey(NamedTuple):
    """One stretch in which a unit kept its heading."""

    boot: ClockKey
    run: int


class Started(NamedTuple):
    """A boot of a unit, and when it was; None where its clock was never compared."""

    boot: Boot
    utc_us: int | None


@dataclass(frozen=True, slots=True)
class InForce:
    """The calibration that a boot's samples are read with, and the one that the unit itself used."""

    calibration: ImuCalibration
    own: ImuCalibration  # the unit's, as it carried it
    refused: str  # why the one in the folder, or the unit's own, was not taken, "" where it was
    tolerance: Tolerance  # what the first leaves

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

    @property
    def look(self) -> Look:
        """What carries a heading from press to press."""
        press = self.press
        return Look(press.t_us, self.heading_rad, self.elevation_rad, press.temperature_celsius, press.still_us)


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
    if path.exists():
        used, own, refused = _read(found, boot, str(path)), _as_carried(boot), _stale(found, started)
    else:
        used = own = _read(found, boot, f"unit {boot.unit}, boot {boot.boot}")
        refused = _foreign(found, boot) or _stale(found, started)
    if refused:
        used, refused = _uncalibrated(boot), f"unit {boot.unit} counts as not calibrated: {refused}"
    return InForce(used, own, refused, tolerance_of(boot.value.get("imu"), used))


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
    boots: Mapping[ClockKey, Started],
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
    used = {key: calibration_in_force(folder, own) for key, own in boots.items() if own.boot.serial in stations}
    raw = []
    for stored in presses:
        key = ClockKey(stored.serial, stored.log, stored.record.boot)
        # a unit whose motion sensor was silent says so with an attitude of zeros (docs/protocol.md, section 4)
        if key in used and any(stored.record.level_from_body):
            run = RunKey(key, stored.record.run)
            boot = boots[key].boot
            raw.append(_Raw(stations[boot.serial], boot.unit, run, stored.record, archive.windows(stored), used[key]))
    stretches = [_stretch(one) for one in raw]
    tracks = iter(_tracks([(one, own) for one, own in zip(raw, stretches, strict=True) if own is not None]))
    by_unit = zip(*_by_units(raw), strict=True)
    return tuple(
        _pressed(one, unit, None if own is None else next(tracks))
        for one, own, unit in zip(raw, stretches, by_unit, strict=True)
    )


def _stretch(one: _Raw) -> Stretch | None:
    """Return the calibrated samples around a press, None where none is near it."""
    pieces = sorted({window.first: window for window in one.windows}.values(), key=lambda window: window.first)
    if not any(np.any(np.abs(piece.t_us) < _FURTHEST_US) for piece in pieces):
        return None
    calibration = one.in_force.calibration
    return Stretch(
        t_us=np.concatenate([piece.t_us.astype(np.int64) for piece in pieces]) + one.press.t_us,
        rate_rad_s=rate_rad_s(calibration, np.concatenate([piece.gyro_counts for piece in pieces]), _still_offset(one)),
        force_g=specific_force_g(calibration, np.concatenate([piece.accel_counts for piece in pieces])),
        at_us=one.press.t_us,
        attitude_wxyz=np.array(one.press.level_from_body),
        sigma_turn=one.in_force.tolerance.turn,
    )


def _still_offset(one: _Raw) -> Vector:
    """Return the still offset of the gyroscope (3,) as the calibration in force has it; the unit logged it by its own."""
    used, own = one.in_force.calibration, one.in_force.own
    sensor = np.linalg.pinv(own.gyro_matrix) @ own.body_from_sensor.T @ np.array(one.press.gyro_offset_rad_s)
    return np.asarray(used.body_from_sensor @ used.gyro_matrix @ sensor)


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the samples around a press say."""

    track: Pointing
    sigma_tilt_rad: float


def _tracks(windows: Sequence[tuple[_Raw, Stretch]]) -> list[_Seen]:
    """Return what every window says; all of them go through the same few passes of array arithmetic."""
    if not windows:
        return []
    found = smoothed([stretch for _, stretch in windows])
    counts = [len(stretch.t_us) for _, stretch in windows]
    tubes = np.repeat([one.in_force.calibration.tube_body for one, _ in windows], counts, axis=0)
    heading, elevation = pointing_of(Rotation.concatenate([seen.level_from_body for seen in found]), tubes)
    ends = np.cumsum(counts)
    return [
        _Seen(Pointing(stretch.t_us, heading[end - count : end], elevation[end - count : end]), seen.sigma_tilt_rad)
        for (_, stretch), seen, count, end in zip(windows, found, counts, ends, strict=True)
    ]


def _by_units(raw: Sequence[_Raw]) -> tuple[Vector, Vector]:
    """Return heading and elevation (P,) of presses by the attitudes that the units logged."""
    if not raw:
        return np.zeros(0), np.zeros(0)
    attitude = Rotation.from_quat([one.press.level_from_body for one in raw], scalar_first=True)
    return pointing_of(attitude, np.array([one.in_force.calibration.tube_body for one in raw]))


def _pressed(one: _Raw, by_unit: tuple[float, float], seen: _Seen | None) -> Pressed:
    """Return a press with its direction: from its samples, else by the unit's own attitude."""
    heading, elevation = (float(angle) for angle in by_unit)
    at = None if seen is None else int(np.argmin(np.abs(seen.track.t_us - one.press.t_us)))
    return Pressed(
        station=one.station,
        unit=one.unit,
        run=one.run,
        press=one.press,
        in_force=one.in_force,
        heading_rad=heading if seen is None else float(seen.track.heading_rad[at]),
        elevation_rad=elevation if seen is None else float(seen.track.elevation_rad[at]),
        track=None if seen is None else seen.track,
        sigma_tilt_rad=np.inf if seen is None else seen.sigma_tilt_rad,
        unit_elevation_rad=elevation,
    )
