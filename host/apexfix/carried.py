"""What the units of a day recorded: the archive's presses and windows as marks, directions and tracks.

Nothing here decides which flight a mark belongs to; that is `align`.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

from apexfix.align import Mark
from apexfix.archive import Archive, Stored
from apexfix.attitude import (
    Backsight,
    HeadingZero,
    Motion,
    Pointing,
    heading_zero,
    misclosure_limit_rad,
    pointing_of,
    track_pointing,
)
from apexfix.calibrate.imu import ImuCalibration, carried_calibration, rate_rad_s
from apexfix.clock import Clock, ClockKey, clocks
from apexfix.errors import CalibrationError, ReductionError
from apexfix.model import Sighting, Site, Station, Track, Vector
from apexfix.records import MARK, REFERENCE, Boot, Press, Window
from apexfix.units import DEG, US

# How well a person holds the cross-hairs on a target that stands still, and on a speck that slows down at the top of its flight.
# Common practice with open sights; a field test of the observer's own gives better figures, and site.toml takes them.
SIGMA_BACKSIGHT_RAD: Final = 0.2 * DEG
SIGMA_POINTING_RAD: Final = 0.3 * DEG
SIGMA_ZERO_RAD: Final = 0.1 * DEG  # what a calibrated unit's elevation, and a repeated backsight's azimuth, keep in common
SIGMA_UNCALIBRATED_RAD: Final = 2.0 * DEG  # elevation of a part as it comes, from the offsets of its data sheet
_LOG_DIGITS: Final = 4  # of the log's name, in the short name of a mark
_NOT_IN_A_NAME: Final = re.compile(r"[^A-Za-z0-9_-]")  # a unit's name as docs/protocol.md, section 2, allows it
_FLATTEST: Final = 0.01  # cosine of the elevation: nearer to the zenith the azimuth says nothing at all


class RunKey(NamedTuple):
    """One stretch in which a unit kept its heading."""

    boot: ClockKey
    run: int


@dataclass(frozen=True, slots=True)
class Recorded:
    """The mark presses of a day and everything that turns them into directions."""

    site: Site  # with the zeros that the units that stood there have
    marks: tuple[Mark, ...]
    presses: Mapping[str, "Pressed"]  # key of the mark -> press
    backsights: Mapping[RunKey, tuple[Backsight, ...]]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Pressed:
    """One press of a unit that stood at a station."""

    station: Station
    unit: str
    run: RunKey
    press: Press
    windows: tuple[Window, ...]
    calibration: ImuCalibration
    heading_rad: float
    elevation_rad: float


def recorded(archive: Archive, site: Site) -> Recorded:
    """Return what the units of an archive recorded at the stations of a site.

    Raises
    ------
    ReductionError
        Two units claim one station.
    CalibrationError
        A unit carried a calibration that cannot be.
    """
    boots = {ClockKey(b.serial, b.log, b.record.boot): b.record for b in archive.boots()}
    known = clocks(archive.exchanges())
    stations = _stations(site, boots)
    remarks = [*_homeless(stations, boots), *(remark for clock in known.values() for remark in clock.remarks)]
    presses = [_pressed(archive, stored, stations, boots) for stored in archive.presses()]
    placed = [pressed for pressed in presses if pressed is not None]
    lost = len(presses) - len(placed)
    if lost:
        remarks.append(
            f"{lost} presses give no direction: their unit has no station, its boot no record, or its motion sensor was silent; "
            "they stay in the archive"
        )
    marks = {_key(p): p for p in placed if p.press.kind == MARK}
    names = _short_names(marks)
    return Recorded(
        site=_with_zeros(site, placed),
        marks=tuple(_mark((key, names[key]), pressed, known) for key, pressed in marks.items()),
        presses=marks,
        backsights=_backsights(placed),
        remarks=tuple(remarks),
    )


def _stations(site: Site, boots: Mapping[ClockKey, Boot]) -> dict[str, Station]:
    """Return the station of every unit, by serial; a site names a unit by its name or its serial."""
    found: dict[str, Station] = {}
    taken: dict[str, str] = {}
    for boot in boots.values():
        for station in site.stations:
            if station.unit is not None and station.unit in (boot.unit, boot.serial):
                if taken.setdefault(station.id, boot.serial) != boot.serial:
                    both = f"{taken[station.id]} and {boot.serial}"
                    raise ReductionError(
                        f"station {station.id}: two units answer to {station.unit!r} (serials {both}); "
                        "rename one with 'apexfix unit set unit NAME' before the next day, and reduce their days apart"
                    )
                found[boot.serial] = station
    return found


def _homeless(stations: Mapping[str, Station], boots: Mapping[ClockKey, Boot]) -> list[str]:
    names = sorted({(boot.unit, boot.serial) for boot in boots.values() if boot.serial not in stations})
    return [f'unit {name} (serial {serial}) has records but no station; add unit = "{name}" in site.toml' for name, serial in names]


def _pressed(
    archive: Archive, stored: Stored[Press], stations: Mapping[str, Station], boots: Mapping[ClockKey, Boot]
) -> Pressed | None:
    press = stored.record
    boot = ClockKey(stored.serial, stored.log, press.boot)
    # a unit whose motion sensor was silent says so with an attitude of zeros (docs/protocol.md, section 4)
    if boot not in boots or stored.serial not in stations or not any(press.level_from_body):
        return None
    unit = boots[boot].unit
    try:
        calibration = carried_calibration(boots[boot].value)
    except CalibrationError as error:
        raise CalibrationError(f"unit {unit}, boot {press.boot}: {error}") from error
    heading, elevation = pointing_of(Rotation.from_quat([press.level_from_body], scalar_first=True), calibration.tube_body)
    return Pressed(
        station=stations[stored.serial],
        unit=unit,
        run=RunKey(boot, press.run),
        press=press,
        windows=archive.windows(stored) if press.kind == MARK else (),
        calibration=calibration,
        heading_rad=float(heading[0]),
        elevation_rad=float(elevation[0]),
    )


def _key(pressed: Pressed) -> str:
    return f"{_boot_name(pressed)}, record {pressed.press.sequence}"


def _boot_name(pressed: Pressed) -> str:
    return f"unit {pressed.unit}, boot {pressed.press.boot} of log {pressed.run.boot.log}"


def _short_names(marks: Mapping[str, Pressed]) -> dict[str, str]:
    """Return for every key a name that a person can type: unit, first digits of the log, record. Later pulls never change it.

    Where two logs share unit and digits, which chance does once in 65 536 pairs, the whole log and the serial are spelt out.
    """
    short = {key: _spelt(p.unit, p.run.boot.log[:_LOG_DIGITS], p.press.sequence) for key, p in marks.items()}
    uses = Counter(short.values())
    return {
        key: name if uses[name] == 1 else _spelt(marks[key].unit, *marks[key].run.boot[:2], marks[key].press.sequence)
        for key, name in short.items()
    }


def _spelt(*parts: object) -> str:
    return "-".join(_NOT_IN_A_NAME.sub("_", str(part)) for part in parts).lstrip("-")


def _mark(named: tuple[str, str], pressed: Pressed, known: Mapping[ClockKey, Clock]) -> Mark:
    boot = pressed.run.boot
    mark = Mark(
        *named,
        station=pressed.station.id,
        boot=_boot_name(pressed),
        log=f"{boot.serial} {boot.log}",
        sequence=pressed.press.sequence,
        t_us=pressed.press.t_us,
        utc_us=None,
        sigma_s=0.0,
        counter=pressed.press.flight,
    )
    if boot not in known:
        return mark
    utc_us, sigma_s = known[boot].utc_us(pressed.press.t_us)
    return replace(mark, utc_us=int(utc_us), sigma_s=float(sigma_s))


def _backsights(presses: Iterable[Pressed]) -> dict[RunKey, tuple[Backsight, ...]]:
    found: dict[RunKey, list[Backsight]] = defaultdict(list)
    for pressed in presses:
        if pressed.press.kind == REFERENCE:
            found[pressed.run].append(Backsight(pressed.press.t_us, pressed.heading_rad))
    return {run: tuple(own) for run, own in found.items()}


def _with_zeros(site: Site, presses: Iterable[Pressed]) -> Site:
    """Return the site with the zeros of the units that stood at its stations, where the file leaves them open."""
    used = {pressed.station.id: pressed.calibration for pressed in presses}
    return replace(site, stations=tuple(_with_zero(s, used[s.id]) if s.id in used else s for s in site.stations))


def _with_zero(station: Station, calibration: ImuCalibration) -> Station:
    elevation = SIGMA_UNCALIBRATED_RAD if calibration.id == "nominal" else SIGMA_ZERO_RAD
    away_m = max(float(np.hypot(station.position_m[0], station.position_m[1])), 1.0)
    azimuth = float(np.hypot(SIGMA_ZERO_RAD, station.sigma_position_m / away_m))  # the bearing of the target is a survey, too
    return replace(
        station,
        sigma_elevation_zero_rad=elevation if station.sigma_elevation_zero_rad is None else station.sigma_elevation_zero_rad,
        sigma_azimuth_zero_rad=azimuth if station.sigma_azimuth_zero_rad is None else station.sigma_azimuth_zero_rad,
    )


# --- a mark as a direction ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Directed:
    """What one mark says of its flight."""

    sighting: Sighting
    track: Track | None  # None where no samples came, or the azimuth is unknown
    remarks: tuple[str, ...]


def directed(number: int, mark: Mark, found: Recorded, *, clocked: bool) -> Directed:
    """Return the sighting and the track of a mark that was matched to a flight.

    Parameters
    ----------
    mark : Mark
        With the time that the matching gave it.
    clocked : bool
        Whether that time is UTC; otherwise the sighting has none.
    """
    pressed = found.presses[mark.key]
    zero = _zero(pressed, found.backsights)
    sighting = Sighting(
        flight=number,
        station=mark.station,
        utc_us=mark.utc_us if clocked else None,
        azimuth_rad=None if zero is None else float(np.mod(pressed.heading_rad + zero.azimuth_minus_heading_rad, 2 * np.pi)),
        elevation_rad=pressed.elevation_rad,
        sigma_azimuth_rad=_sigma_azimuth(pressed, zero),
        sigma_elevation_rad=_sigma_pointing(pressed.station),
        sigma_time_s=mark.sigma_s,
        source=mark.key,
    )
    return Directed(sighting, _track(number, mark, pressed, zero), tuple(_remarks(pressed, zero, found.backsights)))


def _zero(pressed: Pressed, backsights: Mapping[RunKey, tuple[Backsight, ...]]) -> HeadingZero | None:
    reference = pressed.station.reference_azimuth_rad
    if reference is None:
        return None
    return heading_zero(backsights.get(pressed.run, ()), reference, pressed.press.t_us, SIGMA_BACKSIGHT_RAD)


def _sigma_pointing(station: Station) -> float:
    return SIGMA_POINTING_RAD if station.sigma_elevation_rad is None else station.sigma_elevation_rad


def _sigma_azimuth(pressed: Pressed, zero: HeadingZero | None) -> float | None:
    """Return the sigma of the azimuth reading: the zero's, and the hand's across the line of sight."""
    if zero is None or pressed.station.sigma_azimuth_rad is not None:
        return pressed.station.sigma_azimuth_rad
    level = max(abs(float(np.cos(pressed.elevation_rad))), _FLATTEST)
    return float(np.hypot(zero.sigma_rad, _sigma_pointing(pressed.station) / level))


def _track(number: int, mark: Mark, pressed: Pressed, zero: HeadingZero | None) -> Track | None:
    if zero is None or mark.utc_us is None or not pressed.windows:
        return None
    pointing = _pointing(pressed)
    return Track(
        flight=number,
        station=mark.station,
        utc_us=mark.utc_us + pointing.t_us - pressed.press.t_us,
        azimuth_rad=np.mod(pointing.heading_rad + zero.azimuth_minus_heading_rad, 2 * np.pi),
        elevation_rad=pointing.elevation_rad,
        mark_utc_us=mark.utc_us,
        sigma_time_s=mark.sigma_s,
    )


def _pointing(pressed: Pressed) -> Pointing:
    pieces = sorted({window.first: window for window in pressed.windows}.values(), key=lambda window: window.first)
    t_us = np.concatenate([window.t_us.astype(np.int64) for window in pieces]) + pressed.press.t_us
    counts = np.concatenate([window.gyro_counts for window in pieces])
    rate: Vector = rate_rad_s(pressed.calibration, counts, np.array(pressed.press.gyro_offset_rad_s))
    attitude = np.array(pressed.press.level_from_body)
    return track_pointing(Motion(t_us, rate), attitude, pressed.press.t_us, pressed.calibration.tube_body)


def _remarks(pressed: Pressed, zero: HeadingZero | None, backsights: Mapping[RunKey, tuple[Backsight, ...]]) -> list[str]:
    station = pressed.station.id
    if zero is None:
        unknown = pressed.station.reference_azimuth_rad is None
        why = "its reference has no azimuth" if unknown else "no backsight since the heading began"
        return [f"station {station} gives an elevation alone: {why}"]
    if zero.misclosure_rad is None:
        return []
    elapsed_s = max(abs(b.t_us - pressed.press.t_us) for b in backsights[pressed.run]) * US
    limit = misclosure_limit_rad(SIGMA_BACKSIGHT_RAD, elapsed_s)
    if abs(zero.misclosure_rad) <= limit:
        return []
    return [
        f"station {station}: the backsights before and after the mark disagree by {abs(zero.misclosure_rad) / DEG:.1f}°, "
        f"at most {limit / DEG:.1f}° expected; was one of them not on the target?"
    ]

