"""The flights of a control file as heights above the pad, each with its budget of uncertainty."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from math import sqrt
from pathlib import Path
from typing import Final

import numpy as np

from apexfix.air import standard_pressure
from apexfix.compare.apex import FlightTrace, flight_trace
from apexfix.compare.barometer import (
    SIGMA_SENSOR_K,
    SIGMA_SENSOR_M,
    Pad,
    PadAir,
    Weather,
    air_budget,
    pad_air,
    pressure_height,
    true_gain,
)
from apexfix.compare.climbs import Climb, climbs, quiet_pad
from apexfix.compare.control_file import Apogee, Control, Log
from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.units import SECOND_US

SENSOR: Final = "accuracy of the sensor"
INSTRUMENT: Final = "noise and sampling"
STATED: Final = "the altimeter, as stated"
# An announced apogee is the highest of noisy samples, a few tens of centimetres from the apex; common practice, no source.
_SIGMA_INSTRUMENT_M: Final = 0.7
_MANY_SPIKES: Final = 0.2  # share of the samples


@dataclass(frozen=True, slots=True)
class ControlFlight:
    """One flight as the altimeter tells it. `height_m` is None where it cannot be used, and `trouble` says why."""

    name: str  # where in the file it stands
    flight: int | None  # its number, if the file says one
    utc_us: int | None  # of the apex
    clock_s: float | None  # of the apex on the log's own clock
    indicated_m: float | None  # above the pad, in the standard atmosphere
    height_m: float | None  # above the pad
    own_m: Mapping[str, float]  # source -> sigma, drawn anew for each flight
    common_m: Mapping[str, float]  # source -> sigma, the same way for all flights of the file
    air: PadAir | None
    trace: FlightTrace | None = None
    remarks: tuple[str, ...] = ()
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """How to read a control file: what is known of the air and the pad, and whether heights are corrected for the air already."""

    weather: Weather
    pad: Pad
    corrected: bool


def in_quadrature(*budgets: Mapping[str, float]) -> float:
    """Return the sigma that budgets make together: the root of the sum of the squares of all their sources."""
    return sqrt(sum(part**2 for budget in budgets for part in budget.values()))


def control_flights(control: Control, reading: Reading, path: Path) -> tuple[ControlFlight, ...]:
    """Return the flights of a control file, in their order.

    Raises
    ------
    ReductionError
        Pressures were said to be corrected for temperature.
    """
    if reading.corrected and any(log.pressure_pa is not None for log in control.logs):
        raise ReductionError("--corrected with a log of pressures seen; only heights can have been corrected, leave it out")
    spoken = tuple(_announced(apogee, reading, path) for apogee in control.apogees)
    return spoken + tuple(flight for log in control.logs for flight in _logged(log, reading, path))


# --- announced apogees ----------------------------------------------------------------------------------------------


def _announced(apogee: Apogee, reading: Reading, path: Path) -> ControlFlight:
    own = replace(
        reading.weather,
        temperature_k=reading.weather.temperature_k if apogee.temperature_k is None else apogee.temperature_k,
        humidity=reading.weather.humidity if apogee.humidity is None else apogee.humidity,
        pressure_pa=reading.weather.pressure_pa if apogee.pressure_pa is None else apogee.pressure_pa,
    )
    height_m, air, common = _in_air(apogee.apogee_m, own, reading)
    instrument = {INSTRUMENT: _SIGMA_INSTRUMENT_M} if apogee.sigma_m is None else {STATED: apogee.sigma_m}
    return ControlFlight(
        name=f"{path.name}, line {apogee.line}",
        flight=apogee.flight,
        utc_us=apogee.utc_us,
        clock_s=None,
        indicated_m=apogee.apogee_m,
        height_m=height_m,
        own_m=instrument,
        common_m=common if apogee.sigma_m is None else {name: part for name, part in common.items() if name != SENSOR},
        air=air,
        remarks=(f"noted: {apogee.note}",) if apogee.note else (),
    )


def _in_air(indicated_m: float, weather: Weather, reading: Reading) -> tuple[float, PadAir | None, dict[str, float]]:
    """Return the true height, the air it was found with, and what is common to all flights."""
    if reading.corrected:
        return indicated_m, None, {SENSOR: SIGMA_SENSOR_M}
    air = pad_air(weather, reading.pad)
    height_m = float(true_gain(indicated_m, air))
    return height_m, air, {**air_budget(height_m, air), SENSOR: SIGMA_SENSOR_M}


# --- logs -----------------------------------------------------------------------------------------------------------


def _logged(log: Log, reading: Reading, path: Path) -> Iterator[ControlFlight]:
    place = f"{path.name}, log from line {log.line}"
    indicated = log.altitude_m if log.pressure_pa is None else pressure_height(log.pressure_pa)
    assert indicated is not None
    found = climbs(log.time_s, indicated)
    if not found:
        yield _unusable(place, log, "no launch found in it: nothing rises by 10 m and faster than 5 m/s")
        return
    if log.flight is not None and len(found) > 1:
        highest = max(found, key=lambda climb: float(np.median(np.sort(indicated[climb.start : climb.end])[-5:])))
        several = f"{len(found)} launches found under the number of one flight; the highest is taken"
        flown = _climbed(place, log, indicated, highest, reading)
        yield replace(flown, remarks=(several, *flown.remarks))
        return
    for n, climb in enumerate(found, 1):
        yield _climbed(f"{place}, launch {n}" if len(found) > 1 else place, log, indicated, climb, reading)


def _unusable(name: str, log: Log, trouble: str) -> ControlFlight:
    return ControlFlight(name, log.flight, None, None, None, None, {}, {}, None, trouble=trouble)


def _climbed(name: str, log: Log, indicated: Vector, climb: Climb, reading: Reading) -> ControlFlight:
    quiet = quiet_pad(indicated[climb.quiet])
    if quiet is None:
        seconds = log.time_s[climb.start] - log.time_s[climb.quiet.start]
        trouble = f"only {seconds:.1f} s on the pad are logged before this launch, too little to know the level of the pad"
        return _unusable(name, log, trouble)
    trace = flight_trace(log.time_s, indicated, climb, quiet)
    on_pad = _on_pad(log, climb, reading.weather)
    if log.pressure_pa is not None:
        on_pad = replace(on_pad, pressure_pa=standard_pressure(quiet.level_m))
    height_m, air, common = _in_air(trace.top.height_m, on_pad, reading)
    return ControlFlight(
        name=name,
        flight=log.flight,
        utc_us=None if log.start_utc_us is None else log.start_utc_us + round(trace.top.time_s * SECOND_US),
        clock_s=trace.top.time_s,
        indicated_m=trace.top.height_m,
        height_m=height_m,
        own_m=trace.top.budget_m,
        common_m=common,
        air=air,
        trace=trace,
        remarks=tuple(_remarks(log, climb, trace, reading)),
    )


def _on_pad(log: Log, climb: Climb, weather: Weather) -> Weather:
    """Return the air on the pad: a thermometer that somebody read goes before the altimeter's own, which sits in a warm body."""
    logged = log.temperature_k[climb.quiet]
    known = logged[np.isfinite(logged)]
    humidity = log.humidity if weather.humidity is None else weather.humidity
    if weather.temperature_k is not None or not known.size:
        return replace(weather, humidity=humidity)
    return replace(weather, temperature_k=float(np.median(known)), sigma_temperature_k=SIGMA_SENSOR_K, humidity=humidity)


def _remarks(log: Log, climb: Climb, trace: FlightTrace, reading: Reading) -> Iterator[str]:
    if masked := int(trace.spike.sum()):
        are = "is" if masked == 1 else "are"
        yield f"{masked} of {trace.spike.size} samples {are} masked as surges of pressure, as an ejection charge makes them"
    if masked > _MANY_SPIKES * trace.spike.size:
        yield "that is a large part of the flight: look at the picture of the log before relying on it"
    if not climb.landed:
        yield "the log ends before it lies still on the ground"
    if log.empty_rows:
        yield f"{log.empty_rows} rows of the log hold no measurement and are passed over"
    if not trace.top.fitted:
        yield f"few samples near the apex: it may lie up to {trace.top.loss_bound_m:.1f} m above the highest one"
    if reading.weather.temperature_k is None and not reading.corrected and np.isfinite(log.temperature_k[climb.quiet]).any():
        yield "the air's temperature is the altimeter's own; one from a thermometer in the shade (--temperature) is worth more"
