"""The health of a sighting unit as a person reads it."""

from collections.abc import Iterator

from apexfix.model import BootClock, UnitHealth
from apexfix.report.rounding import PLAIN, Manner, decimals, degrees_words, fixed, time_words

Pair = tuple[float, float] | None
_UNKNOWN = "not recorded"


def unit_rows(unit: UnitHealth, manner: Manner = PLAIN) -> tuple[tuple[str, str], ...]:
    """Return what there is to tell of a unit, name and words, its clocks last."""
    return (
        ("Station", unit.station or "none"),
        ("Serial", unit.serial),
        ("Sensor and firmware", f"{unit.imu}, {unit.firmware}"),
        ("Calibration", _calibration(unit)),
        ("Calibrated at", _range(unit.calibrated_celsius, 0, "°C")),
        ("Stated sigma of an elevation", _sigma(unit.sigma_elevation_rad)),
        ("Stated sigma of an azimuth", _sigma(unit.sigma_azimuth_rad)),
        ("Stated sigma of the elevation's zero", _sigma(unit.sigma_elevation_zero_rad)),
        ("Temperature on the day", _range(unit.celsius, 0, "°C")),
        ("Supply", _range(unit.supply_v, 2, "V")),
        ("Free flash, least", _UNKNOWN if unit.free_bytes is None else f"{unit.free_bytes / 1e6:.1f} MB"),
        ("Samples lost in one boot, most", _UNKNOWN if unit.lost_samples is None else f"{unit.lost_samples}"),
        *_clocks(unit, manner),
    )


def _calibration(unit: UnitHealth) -> str:
    if unit.calibration is None:
        return "none; the sensor is taken as its data sheet describes it"
    made = "" if unit.calibrated_utc is None else f" of {unit.calibrated_utc}"
    age = "" if unit.calibration_age_days is None else f", {unit.calibration_age_days:.0f} days since it was made or last checked"
    return f"{unit.calibration}{made}{age}"


def _sigma(sigma_rad: float | None) -> str:
    return "not stated" if sigma_rad is None else degrees_words(sigma_rad)


def _range(pair: Pair, places: int, sign: str) -> str:
    if pair is None:
        return _UNKNOWN
    low, high = (fixed(end, places) for end in pair)
    return f"{low} {sign}" if low == high else f"{low} to {high} {sign}"


def _clocks(unit: UnitHealth, manner: Manner) -> Iterator[tuple[str, str]]:
    for clock in unit.clocks:
        yield f"Clock of boot {clock.boot} (log {clock.log})", clock_words(clock, manner)


def clock_words(clock: BootClock, manner: Manner = PLAIN) -> str:
    """Return how well the clock of a boot is known."""
    if clock.zero_utc_us is None or clock.sigma_zero_s is None or clock.drift is None or clock.sigma_drift is None:
        return "never compared with a computer's; its marks are placed by their pattern"
    ppm, sigma_ppm = clock.drift * 1e6, clock.sigma_drift * 1e6
    places = decimals(sigma_ppm)
    rate = f"UTC gains {fixed(ppm, places)} ± {fixed(sigma_ppm, places)} ppm on it"
    zero = f"its zero is {time_words(clock.zero_utc_us, manner, 3)} ± {clock.sigma_zero_s * 1000:.1f} ms"
    return f"{clock.exchanges} exchanges; {rate}; {zero}"
