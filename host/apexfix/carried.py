"""What the units of a day recorded: the archive's presses as marks, and the zeros of the units at their stations.

Nothing here decides which flight a mark belongs to; that is `align`.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from apexfix.align import Mark
from apexfix.archive import Archive
from apexfix.boot_calibration import started
from apexfix.calibrate.steps import read_steps
from apexfix.clock import Clock, ClockKey, clocks
from apexfix.errors import ReductionError
from apexfix.heading import Look
from apexfix.model import Site, Station
from apexfix.pressed import Pressed, RunKey, pressed_at
from apexfix.records import MARK, REFERENCE, Boot
from apexfix.stands import Stands, stands_of
from apexfix.units import DEG

SIGMA_AZIMUTH_ZERO_RAD: Final = 0.1 * DEG  # what a repeated backsight's azimuths keep in common; common practice
_ROUGH_RAD: Final = 0.3 * DEG  # as much as a hand misses a speck by; a remark beyond
_LOG_DIGITS: Final = 4  # of the log's name, in the short name of a mark
_NOT_IN_A_NAME: Final = re.compile(r"[^A-Za-z0-9_-]")  # a unit's name as docs/protocol.md, section 2, allows it


@dataclass(frozen=True, slots=True)
class Recorded:
    """The mark presses of a day and everything that turns them into directions."""

    site: Site  # with the zeros that the units that stood there have
    marks: tuple[Mark, ...]
    presses: Mapping[str, Pressed]  # key of the mark -> press
    backsights: Mapping[RunKey, tuple[Look, ...]]
    stands: Stands
    remarks: tuple[str, ...]


def recorded(archive: Archive, site: Site, folder: Path) -> Recorded:
    """Return what the units of an archive recorded at the stations of a site.

    Parameters
    ----------
    folder
        Of the day; calibrations in it go before those that the units carried.

    Raises
    ------
    ReductionError
        Two units claim one station.
    FileError
        A calibration in the folder cannot be read.
    CalibrationError
        A calibration is another unit's or cannot be.
    """
    known = clocks(archive.exchanges())
    starts = started(archive, known)
    boots = {key: own.boot for key, own in starts.items()}
    stations = _stations(site, boots.values())
    remarks = [*_homeless(stations, boots), *(remark for clock in known.values() for remark in clock.remarks)]
    guided = read_steps(folder)  # presses that a step of a calibration asked for are no flight's
    presses = tuple(p for p in archive.presses() if (p.log, p.record.sequence) not in guided)
    placed = pressed_at(archive, presses, stations, starts, folder)
    remarks += dict.fromkeys(pressed.in_force.refused for pressed in placed if pressed.in_force.refused)
    remarks += _rough(placed)
    stands = stands_of(archive, folder, placed, guided)
    remarks += stands.remarks
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
        stands=stands,
        remarks=tuple(remarks),
    )


def claims(site: Site, boots: Iterable[Boot]) -> Mapping[str, tuple[Boot, ...]]:
    """Return the units that answer to what a site says stood at a station, by its id: one boot of each, the first seen.

    A site names a unit by its name or its serial. More than one unit at a station cannot be told apart.
    """
    asked = {station.unit: station.id for station in site.stations if station.unit is not None}
    found: dict[str, dict[str, Boot]] = defaultdict(dict)
    for boot in boots:
        for name in (boot.unit, boot.serial):
            if name in asked:
                found[asked[name]].setdefault(boot.serial, boot)
    return {station: tuple(units.values()) for station, units in found.items()}


def _stations(site: Site, boots: Iterable[Boot]) -> dict[str, Station]:
    """Return the station of every unit, by serial."""
    found: dict[str, Station] = {}
    for name, units in claims(site, boots).items():
        station = site.station(name)
        if len(units) > 1:
            both = " and ".join(boot.serial for boot in units)
            raise ReductionError(
                f"station {name}: two units answer to {station.unit!r} (serials {both}); "
                "rename one with 'apexfix unit set unit NAME' before the next day, and reduce their days apart"
            )
        found[units[0].serial] = station
    return found


def _homeless(stations: Mapping[str, Station], boots: Mapping[ClockKey, Boot]) -> list[str]:
    names = sorted({(boot.unit, boot.serial) for boot in boots.values() if boot.serial not in stations})
    return [f'unit {name} (serial {serial}) has records but no station; add unit = "{name}" in site.toml' for name, serial in names]


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
    return replace(mark, utc_us=int(utc_us), sigma_s=float(np.hypot(sigma_s, pressed.sigma_late_s)))


def _backsights(presses: Iterable[Pressed]) -> dict[RunKey, tuple[Look, ...]]:
    found: dict[RunKey, list[Look]] = defaultdict(list)
    for pressed in presses:
        if pressed.press.kind == REFERENCE:
            found[pressed.run].append(pressed.look)
    return {run: tuple(own) for run, own in found.items()}


def _rough(presses: Iterable[Pressed]) -> list[str]:
    """Return which units' elevations are not known well, and how well: by the worst of a unit's boots, as the station's zero is."""
    zeros: dict[str, float] = defaultdict(float)
    for pressed in presses:
        zeros[pressed.unit] = max(zeros[pressed.unit], pressed.in_force.tolerance.zero_rad)
    return [
        f"unit {unit} is not calibrated well: its elevations may be {zero / DEG:.1f}° off (one sigma), much alike all day; "
        "calibrate it ('apexfix calibrate --help' names the steps) and reduce the day again"
        for unit, zero in sorted(zeros.items())
        if zero > _ROUGH_RAD
    ]


def _with_zeros(site: Site, presses: Iterable[Pressed]) -> Site:
    """Return the site with the zeros of the units that stood at its stations, where the file leaves them open."""
    used: dict[str, float] = defaultdict(float)
    for pressed in presses:
        used[pressed.station.id] = max(used[pressed.station.id], pressed.in_force.tolerance.zero_rad)
    return replace(site, stations=tuple(_with_zero(s, used[s.id]) if s.id in used else s for s in site.stations))


def _with_zero(station: Station, elevation_rad: float) -> Station:
    away_m = max(float(np.hypot(station.position_m[0], station.position_m[1])), 1.0)
    # the bearing of the target is a survey, too
    azimuth = float(np.hypot(SIGMA_AZIMUTH_ZERO_RAD, station.sigma_position_m / away_m))
    return replace(
        station,
        sigma_elevation_zero_rad=elevation_rad if station.sigma_elevation_zero_rad is None else station.sigma_elevation_zero_rad,
        sigma_azimuth_zero_rad=azimuth if station.sigma_azimuth_zero_rad is None else station.sigma_azimuth_zero_rad,
    )
