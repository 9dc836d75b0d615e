"""How each sighting unit of a day was: its calibration, its clock, its supply and its flash, out of the archive."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeGuard

from apexfix.archive import ARCHIVE_NAME, Archive, Unit, open_archive
from apexfix.calibrate.document import age_days, concerns, in_force
from apexfix.calibrate.stated import stated_sigmas
from apexfix.clock import Clock, ClockKey, clocks
from apexfix.errors import CalibrationError
from apexfix.model import BootClock, Site, UnitHealth
from apexfix.records import Boot, Health, Press, is_sound, record_from
from apexfix.unit_state import self_test

Range = tuple[float, float]
_HOTTEST_C: Final = 1000.0  # neither way does any part survive it
_TELLING: Final = (1, 2, 6)  # types of record that tell of the unit: boot, press, health


@dataclass(slots=True)
class _Seen:
    """What the records of one unit say, gathered."""

    boots: list[tuple[ClockKey, Boot]] = field(default_factory=list)
    celsius: list[float] = field(default_factory=list)
    supply_v: list[float] = field(default_factory=list)
    free_bytes: list[int] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)


def units_health(folder: Path, site: Site) -> tuple[UnitHealth, ...]:
    """Return how every unit in the archive of a day's folder was, by name; none where the folder has no archive.

    Raises
    ------
    FileError
        The archive or a calibration file is damaged.
    """
    if not (folder / ARCHIVE_NAME).exists():
        return ()
    with open_archive(folder / ARCHIVE_NAME) as archive:
        seen = _gathered(archive)
        exchanges = tuple(archive.exchanges())
        units = archive.units()
    counts = Counter(ClockKey(e.serial, e.log, e.boot) for e in exchanges)
    known = clocks(exchanges)
    told = [_health(unit, seen[unit.serial], site, folder, (known, counts)) for unit in units]
    return tuple(sorted(told, key=lambda own: (own.unit, own.serial)))


def _gathered(archive: Archive) -> Mapping[str, _Seen]:
    seen: dict[str, _Seen] = defaultdict(_Seen)
    for row in archive.rows(*_TELLING):
        if not is_sound(row.raw):  # what a disk damaged is told by 'apexfix verify'
            continue
        own, record = seen[row.serial], record_from(row.raw)
        match record:
            case Boot():
                own.boots.append((ClockKey(row.serial, row.log, record.boot), record))
            case Press():
                own.celsius += [] if record.temperature_celsius is None else [record.temperature_celsius]
            case Health():
                own.celsius += [] if record.temperature_celsius is None else [record.temperature_celsius]
                own.supply_v += [] if record.supply_mv is None else [record.supply_mv / 1000]
                own.free_bytes.append(record.free_bytes)
                own.lost.append(record.lost)
    return seen


def _health(
    unit: Unit, seen: _Seen, site: Site, folder: Path, compared: tuple[Mapping[ClockKey, Clock], Mapping[ClockKey, int]]
) -> UnitHealth:
    known, counts = compared
    boots = dict(seen.boots)
    names = {unit.name, unit.serial, *(boot.unit for boot in boots.values())}
    station = next((own.id for own in site.stations if own.unit in names), None)
    worries: list[str] = []
    calibration = _calibration(folder, unit, [boot for _, boot in seen.boots], worries)
    celsius = _span(seen.celsius)
    own_clocks = [known[key] for key in boots if key in known]
    day_us = max((clock.origin_utc_us for clock in own_clocks), default=None)
    worries += _worries(calibration, celsius, day_us)
    worries += _self_test(boots.values())
    elevation, azimuth, zero = _stated(calibration, worries)
    return UnitHealth(
        unit=unit.name,
        serial=unit.serial,
        station=station,
        imu=unit.imu,
        firmware=unit.firmware,
        calibration=_text(calibration, "id"),
        calibrated_utc=_text(calibration, "date_utc"),
        calibration_age_days=_age_days(calibration, day_us),
        calibrated_celsius=_pair(calibration.get("temperature_celsius")),
        sigma_elevation_rad=elevation,
        sigma_azimuth_rad=azimuth,
        sigma_elevation_zero_rad=zero,
        concerns=tuple(dict.fromkeys(worries)),
        clocks=tuple(_boot_clock(key, known.get(key), counts.get(key, 0)) for key in boots),
        celsius=celsius,
        supply_v=_span(seen.supply_v),
        free_bytes=min(seen.free_bytes, default=None),
        lost_samples=max(seen.lost, default=None),
    )


# --- its calibration ------------------------------------------------------------------------------------------------


def _calibration(folder: Path, unit: Unit, boots: Sequence[Boot], worries: list[str]) -> Mapping[str, object]:
    """Return the calibration object in force at the last boot; an empty one, and a worry, where there is none that can be used."""
    if not boots:
        worries.append("no boot record came with its log")
        return {}
    try:
        found = in_force(folder, unit.serial, boots[-1].value)
    except CalibrationError as error:
        worries.append(str(error))
        return {}
    if not isinstance(found, Mapping) or not found:
        worries.append("not calibrated: the sensor is taken as its data sheet describes it")
        return {}
    return found


def _worries(calibration: Mapping[str, object], celsius: Range | None, day_us: int | None) -> list[str]:
    if not calibration or day_us is None:
        return []
    if "date_utc" not in calibration:
        return ["the calibration does not tell its date"]
    range_c = _pair(calibration.get("temperature_celsius"))
    found = []
    if range_c is None and calibration.get("temperature_celsius") is not None:
        found.append("the temperatures of its calibration cannot be read; calibrate again")
    document = {**calibration, "temperature_celsius": range_c}
    try:
        return found + [worry for end in celsius or (None,) for worry in concerns(document, day_us, end)]
    except CalibrationError as error:
        return [*found, str(error)]


def _age_days(calibration: Mapping[str, object], day_us: int | None) -> float | None:
    """Return how old a calibration was on the day, None where that cannot be told (then a worry says so)."""
    try:
        return None if day_us is None else age_days(calibration, day_us)
    except CalibrationError:
        return None


def _self_test(boots: Iterable[Boot]) -> list[str]:
    """Return what the units' own tests at power-on did not pass."""
    return [
        f"self-test of boot {boot.boot}: {name}, {state}, {text}"
        for boot in boots
        for name, (state, text) in self_test(boot.value).items()
        if state != "ok"
    ]


def _stated(calibration: Mapping[str, object], worries: list[str]) -> tuple[float | None, float | None, float | None]:
    try:
        stated = stated_sigmas(calibration)
    except CalibrationError as error:
        worries.append(str(error))
        return None, None, None
    return stated.elevation_rad, stated.azimuth_rad, stated.elevation_zero_rad


def _text(calibration: Mapping[str, object], name: str) -> str | None:
    value = calibration.get(name)
    return None if value is None else str(value)


def _pair(value: object) -> Range | None:
    if isinstance(value, list) and len(value) == 2 and all(_is_temperature(end) for end in value):
        return float(value[0]), float(value[1])
    return None


def _is_temperature(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and -_HOTTEST_C < value < _HOTTEST_C


def _span(values: Sequence[float]) -> Range | None:
    return (min(values), max(values)) if values else None


# --- its clock ------------------------------------------------------------------------------------------------------


def _boot_clock(key: ClockKey, clock: Clock | None, exchanges: int) -> BootClock:
    if clock is None:
        return BootClock(key.boot, key.log, exchanges, None, None, None, None)
    zero_utc_us, _ = clock.utc_us(0)
    _, sigma_s = clock.utc_us(list(clock.groups_us))
    return BootClock(
        boot=key.boot,
        log=key.log,
        exchanges=exchanges,
        zero_utc_us=int(zero_utc_us),
        sigma_zero_s=float(sigma_s.min()),
        drift=clock.drift,
        sigma_drift=clock.covariance[1][1] ** 0.5,
    )
