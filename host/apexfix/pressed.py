"""Every press of a unit as a direction in the unit's own level frame, from raw samples and the calibration in force."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from apexfix.archive import Archive, Stored
from apexfix.attitude import Pointing, Stretch, pointing_of, product, turned, upright_turn
from apexfix.boot_calibration import InForce, Started, calibration_in_force
from apexfix.calibrate.imu import rate_rad_s, specific_force_g
from apexfix.clock import ClockKey
from apexfix.heading import Look
from apexfix.lateness import sigma_late_s
from apexfix.model import Station, Vector
from apexfix.records import REFERENCE, Press, Window
from apexfix.smoother import mean_force_g, smoothed
from apexfix.units import SECOND_US

_FURTHEST_US: Final = SECOND_US // 4  # of the nearest sample from its press: the unit itself gives up there (docs/protocol.md)
_AT_ONCE: Final = 40  # presses: arrays that a processor's cache holds
_HELD_US: Final = SECOND_US // 4  # before and after a reference press


class RunKey(NamedTuple):
    """One stretch in which a unit kept its heading."""

    boot: ClockKey
    run: int


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
    track: Pointing | None  # around a mark; None where no samples came
    sigma_tilt_rad: float  # of a mark's elevation, against gravity, from the samples; infinite where they do not tell
    unit_elevation_rad: float  # what the unit made of it at once, by the tube's axis in force
    sigma_late_s: float  # of the finger about the stamp, where the unit was erasing flash

    @property
    def look(self) -> Look:
        """What carries a heading from press to press."""
        press = self.press
        return Look(press.t_us, self.heading_rad, self.elevation_rad, press.temperature_celsius, press.still_us)


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
        As for :func:`apexfix.boot_calibration.calibration_in_force`.
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
    by_unit = zip(*_by_units(raw), strict=True)
    return tuple(_pressed(one, unit, seen) for one, unit, seen in zip(raw, by_unit, _seen(raw), strict=True))


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the samples around a press say."""

    heading_rad: float
    elevation_rad: float
    track: Pointing | None
    sigma_tilt_rad: float


def _seen(raw: Sequence[_Raw]) -> list[_Seen | None]:
    """Return what the samples around every press say, None where it has none."""
    felt = [(index, one, own) for index, (one, own) in enumerate(zip(raw, _stretches(raw), strict=True)) if own is not None]
    found: list[_Seen | None] = [None] * len(raw)
    for is_reference, read in ((True, _held), (False, _tracks)):
        members = [(index, (one, own)) for index, one, own in felt if (one.press.kind == REFERENCE) is is_reference]
        for (index, _), seen in zip(members, read([window for _, window in members]), strict=True):
            found[index] = seen
    return found


def _stretches(raw: Sequence[_Raw]) -> list[Stretch | None]:
    """Return the calibrated samples around every press, None where none is near it; all of a boot are read together."""
    boots: dict[ClockKey, list[tuple[int, list[Window]]]] = defaultdict(list)
    for index, one in enumerate(raw):
        pieces = sorted({window.first: window for window in one.windows}.values(), key=lambda window: window.first)
        if any(np.any(np.abs(piece.t_us) < _FURTHEST_US) for piece in pieces):
            boots[one.run.boot].append((index, pieces))
    found: list[Stretch | None] = [None] * len(raw)
    for members in boots.values():
        for first in range(0, len(members), _AT_ONCE):
            some = members[first : first + _AT_ONCE]
            for (index, _), own in zip(some, _read_samples([(raw[i], pieces) for i, pieces in some]), strict=True):
                found[index] = own
    return found


def _read_samples(members: Sequence[tuple[_Raw, list[Window]]]) -> Iterator[Stretch]:
    """Yield the calibrated samples of presses of one boot."""
    in_force, pieces = members[0][0].in_force, [piece for _, own in members for piece in own]
    counts = [sum(len(piece.t_us) for piece in own) for _, own in members]
    offsets = np.array([one.press.gyro_offset_rad_s for one, _ in members]) @ _carried_over(in_force).T
    attitudes = _logged([one for one, _ in members])
    at_us = np.repeat([one.press.t_us for one, _ in members], counts)
    t_us = np.concatenate([piece.t_us for piece in pieces]) + at_us
    gyro = np.concatenate([piece.gyro_counts for piece in pieces])
    rate = rate_rad_s(in_force.calibration, gyro, np.repeat(offsets, counts, axis=0))
    force = specific_force_g(in_force.calibration, np.concatenate([piece.accel_counts for piece in pieces]))
    for (one, _), attitude, count, end in zip(members, attitudes, counts, np.cumsum(counts), strict=True):
        own = slice(end - count, end)
        yield Stretch(t_us[own], rate[own], force[own], one.press.t_us, attitude, in_force.tolerance.turn)


def _carried_over(in_force: InForce) -> Vector:
    """Return what makes (3, 3) of a still offset that the unit logged by its own calibration one by that in force."""
    used, own = in_force.calibration, in_force.own
    sensor = np.linalg.pinv(own.gyro_matrix) @ own.body_from_sensor.T
    return np.asarray(used.body_from_sensor @ used.gyro_matrix @ sensor)


def _tracks(windows: Sequence[tuple[_Raw, Stretch]]) -> Iterator[_Seen]:
    """Yield what the window of every mark says; all of them go through the same few passes of array arithmetic."""
    if not windows:
        return
    found = smoothed([stretch for _, stretch in windows])
    counts = [len(stretch.t_us) for _, stretch in windows]
    tubes = np.repeat([one.in_force.calibration.tube_body for one, _ in windows], counts, axis=0)
    attitude = np.concatenate([seen.attitude_wxyz for seen in found])
    heading, elevation = pointing_of(attitude, tubes)
    for (_, stretch), seen, count, end in zip(windows, found, counts, np.cumsum(counts), strict=True):
        track = Pointing(stretch.t_us, heading[end - count : end], elevation[end - count : end])
        at = int(np.argmin(np.abs(stretch.t_us - stretch.at_us)))
        yield _Seen(float(track.heading_rad[at]), float(track.elevation_rad[at]), track, seen.sigma_tilt_rad)


def _held(windows: Sequence[tuple[_Raw, Stretch]]) -> Iterator[_Seen]:
    """Yield what the samples of every reference press say: its target stands still and low, so that its heading needs no smoother.

    The unit's attitude, turned by the shortest way so that half a second of force points up. A tenth of a degree of tilt moves the
    heading of a tube five degrees above the horizon by a hundredth.
    """
    if not windows:
        return
    attitude = np.array([own.attitude_wxyz for _, own in windows])
    force = np.array([mean_force_g(own, _HELD_US) for _, own in windows])
    upright = product(upright_turn(turned(attitude, force)), attitude)
    tubes = np.array([one.in_force.calibration.tube_body for one, _ in windows])
    for heading, elevation in zip(*pointing_of(upright, tubes), strict=True):
        yield _Seen(float(heading), float(elevation), None, np.inf)


def _by_units(raw: Sequence[_Raw]) -> tuple[Vector, Vector]:
    """Return heading and elevation (P,) of presses by the attitudes that the units logged."""
    if not raw:
        return np.zeros(0), np.zeros(0)
    return pointing_of(_logged(raw), np.array([one.in_force.calibration.tube_body for one in raw]))


def _logged(raw: Sequence[_Raw]) -> Vector:
    """Return the unit's own attitudes (P, 4) at presses; a record rounds them, and a quaternion must have the length one."""
    wxyz = np.array([one.press.level_from_body for one in raw])
    return np.asarray(wxyz / np.linalg.norm(wxyz, axis=1, keepdims=True))


def _pressed(one: _Raw, by_unit: tuple[float, float], seen: _Seen | None) -> Pressed:
    """Return a press with its direction: from its samples, else by the unit's own attitude."""
    heading, elevation = (float(angle) for angle in by_unit)
    best = seen or _Seen(heading, elevation, None, np.inf)
    return Pressed(
        station=one.station,
        unit=one.unit,
        run=one.run,
        press=one.press,
        in_force=one.in_force,
        heading_rad=best.heading_rad,
        elevation_rad=best.elevation_rad,
        track=best.track,
        sigma_tilt_rad=best.sigma_tilt_rad,
        unit_elevation_rad=elevation,
        sigma_late_s=sigma_late_s(one.press, one.windows),
    )
