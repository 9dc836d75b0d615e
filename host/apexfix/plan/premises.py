"""What a plan starts from: the flight to expect, the published advice for it, and the published limits that it breaks."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from apexfix.errors import FileError
from apexfix.plan.checks import stated_limits
from apexfix.plan.expected import Expected, Wind, from_interval, from_rocket
from apexfix.predict import Bottle, Motor, Rocket, read_rocket, refuse_impossible, warnings
from apexfix.predict.limits import MODEL_SOURCE, PRACTICE, TILT_LIMIT_RAD, Warned
from apexfix.safety import Advice, motor_advice, motor_class, unknown_advice, water_advice
from apexfix.units import DEG

_CHECKED: Final = (MODEL_SOURCE, PRACTICE)  # of the prediction's warnings; the advice tells the others


@dataclass(frozen=True, slots=True)
class Premises:
    """What is known of the flight."""

    expected: Expected
    advice: Advice
    limits: tuple[Warned, ...]


@dataclass(frozen=True, slots=True)
class Stated:
    """A flight of which somebody states the interval; None where nobody can tell."""

    apex95_m: tuple[float, float]
    wind: Wind
    descent_m_s: float | None
    tilt_rad: float | None
    motor_class: str | None
    pressure_pa: float | None


def stated(flight: Stated) -> Premises:
    """Return the premises of a stated interval; without a lean of the launcher it is the most that the codes allow."""
    lean_rad = TILT_LIMIT_RAD if flight.tilt_rad is None else flight.tilt_rad
    lean = f"{lean_rad / DEG:.0f} degrees, {'the most that codes allow' if flight.tilt_rad is None else 'as stated'}"
    expected = from_interval(flight.apex95_m, flight.wind, flight.descent_m_s, (lean_rad, lean))
    return Premises(expected, _stated_advice(flight), stated_limits(flight.wind.speed_m_s, flight.tilt_rad))


def _stated_advice(flight: Stated) -> Advice:
    if flight.pressure_pa is not None:
        return water_advice(flight.pressure_pa)
    return unknown_advice() if flight.motor_class is None else motor_advice(flight.motor_class)


def predicted(path: Path, wind_from_rad: float | None) -> Premises:
    """Return the premises that a ROCKET.toml gives.

    Raises
    ------
    FileError
        The file is missing or wrong, or its rocket rises too little to be planned for.
    ReductionError
        The rocket cannot fly or must not.
    """
    rocket = read_rocket(path).rocket
    refuse_impossible(rocket)
    expected = from_rocket(rocket, wind_from_rad)
    if expected.apex95_m[0] <= 0:
        raise FileError(f"an apogee from {expected.apex95_m[0]:.1f} m up is predicted, one above the ground expected", path=path)
    return Premises(expected, _advice(rocket), tuple(found for found in warnings(rocket) if found.source in _CHECKED))


def _advice(rocket: Rocket) -> Advice:
    if isinstance(rocket.engine, Bottle):
        return water_advice(rocket.quantities["pressure_pa"].value)
    if isinstance(rocket.engine, Motor):
        return motor_advice(motor_class(rocket.quantities["impulse_ns"].value))
    return unknown_advice()
