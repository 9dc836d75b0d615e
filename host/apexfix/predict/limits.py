"""What cannot fly, and what should not: each with the figure and where it is published.

Advice only: local codes, the landowner and licensed practice decide.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.air import DRY_AIR_J_KG_K, Air
from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.predict.boost import burn, charge, motor_push, tube_exit, water_push
from apexfix.predict.bottle import GAMMA, largest_fill
from apexfix.predict.rocket import Bottle, Motor, Rocket, nominal
from apexfix.units import DEG, STANDARD_GRAVITY

DECIDES: Final = "Local codes, the landowner and licensed practice decide."
PSI_PA: Final = 6894.757

# "never above 90 psi"; the table of distances of the code reaches two steps, to 60 psi and above
BOTTLE_LIMIT_PA: Final = 90 * PSI_PA
BOTTLE_STEP_PA: Final = 60 * PSI_PA
BOTTLE_SOURCE: Final = "NASA Glenn Research Center, safety guide for bottle rockets"
DISTANCE_SOURCE: Final = "B. Berggren, Water Rocket Safety Code, clause 4"

MODEL_SOURCE: Final = "NFPA 1122, 2018"
MODEL_MASS_KG: Final = 1.5
MODEL_PROPELLANT_KG: Final = 0.125
MODEL_IMPULSE_NS: Final = 320.0
TILT_LIMIT_RAD: Final = 30 * DEG
WIND_LIMIT_M_S: Final = 32 / 3.6

FASTEST_M_S: Final = 1000.0  # a typing error is likelier than such a model
SLOW_SHARE: Final = 0.8  # of the speed of sound, up to which a drag coefficient hardly depends on the speed
SLOW_SOURCE: Final = "rise of drag towards the speed of sound; S. F. Hoerner, Fluid-Dynamic Drag, 1965 (from memory)"

LIVELY_THRUST: Final = 5.0  # times the weight
PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Warned:
    """Something that a person should know before the launch."""

    reason: str
    source: str


def refuse_impossible(rocket: Rocket) -> None:
    """Raise where the stated figures describe a rocket that cannot fly or must not.

    Raises
    ------
    ReductionError
        The pressure is above the published limit for drinks bottles, the water cannot all leave, or the thrust is too weak.
    """
    values = nominal(rocket)
    if isinstance(rocket.engine, Bottle):
        _refuse_pressure(float(values["pressure_pa"][0]))
        _refuse_fill(rocket, rocket.engine, values)
        _refuse_weak(*_water_lift(rocket, rocket.engine, values))
    if isinstance(rocket.engine, Motor):
        _refuse_weak(*_motor_lift(rocket.engine, values))
        _refuse_absurd(rocket.engine, values)


def refuse_fallen(upward_m_s: float) -> None:
    """Raise where the stated flight does not climb any more when the thrust ends; takes the upward speed then.

    Raises
    ------
    ReductionError
        The rocket hangs on the pad or falls while its engine still pushes.
    """
    if upward_m_s <= 0:
        raise ReductionError(
            f"an upward speed of {upward_m_s:.1f} m/s at burnout seen, more than 0 expected: the thrust lifts this rocket for "
            "a moment and is too weak after it; take a stronger engine or a lighter rocket"
        )


def warnings(rocket: Rocket) -> tuple[Warned, ...]:
    """Return what the stated figures break of the published advice."""
    values = nominal(rocket)
    found = [*_flight_warnings(values)]
    if isinstance(rocket.engine, Bottle):
        found += _bottle_warnings(rocket, rocket.engine, values)
    if isinstance(rocket.engine, Motor):
        found += _motor_warnings(rocket.engine, values)
    return tuple(found)


def speed_warnings(air: Air, fastest_m_s: float) -> tuple[Warned, ...]:
    """Return a warning where a flight comes so near the speed of sound that its drag coefficient does not hold."""
    mach = fastest_m_s / (GAMMA * DRY_AIR_J_KG_K * air.temperature_k) ** 0.5
    if mach <= SLOW_SHARE:
        return ()
    reason = f"{mach:.2f} of the speed of sound at burnout: above {SLOW_SHARE:g} the drag is more than was reckoned"
    return (Warned(reason, SLOW_SOURCE),)


def _refuse_pressure(pressure_pa: float) -> None:
    if pressure_pa > BOTTLE_LIMIT_PA:
        raise ReductionError(
            f"a pressure of {pressure_pa / 1e5:.2f} bar seen, at most {BOTTLE_LIMIT_PA / 1e5:.1f} bar (90 psi) expected in a "
            f"drinks bottle ({BOTTLE_SOURCE}); lower the pressure. {DECIDES}"
        )


def _refuse_fill(rocket: Rocket, bottle: Bottle, values: dict[str, Vector]) -> None:
    fill = float(values["water_m3"][0]) / bottle.volume_m3
    load = charge(rocket, bottle, values)
    if load.left_m3[0] > 0:
        tube_share = bottle.tube_m2 * bottle.tube_m / bottle.volume_m3
        most = float(largest_fill(load.start_pa, load.outside_pa, load.exponent, tube_share)[0])
        raise ReductionError(
            f"a fill of {100 * fill:.0f} % of the bottle seen; at this pressure the air can drive out the water of a fill of less "
            f"than {100 * most:.1f} %, that is {most * bottle.volume_m3 * 1000:.2f} l (Boyle's law with the stated exponent); "
            "fill less or raise the pressure"
        )


def _refuse_absurd(motor: Motor, values: dict[str, Vector]) -> None:
    ideal_m_s = float((values["impulse_ns"] / (values["dry_mass_kg"] + motor.case_kg))[0])
    if ideal_m_s > FASTEST_M_S:
        raise ReductionError(
            f"impulse by mass would make {ideal_m_s:.0f} m/s, at most {FASTEST_M_S:g} m/s expected: no model does, and constant "
            "drag coefficients end far below; look at the impulse in N s and the masses in kg"
        )


def _refuse_weak(thrust_n: float, weight_n: float, words: str) -> None:
    if thrust_n <= weight_n:
        raise ReductionError(
            f"{words} of {thrust_n:.2f} N seen, more than the weight of {weight_n:.2f} N expected: this rocket does not leave "
            "the pad; take a stronger engine or a lighter rocket"
        )


def _water_lift(rocket: Rocket, bottle: Bottle, values: dict[str, Vector]) -> tuple[float, float, str]:
    load = charge(rocket, bottle, values)
    thrust_n, mass_kg, _ = water_push(load, load.air_m3)
    return float(thrust_n[0]), float(mass_kg[0]) * STANDARD_GRAVITY, "a thrust at the start"


def _motor_lift(motor: Motor, values: dict[str, Vector]) -> tuple[float, float, str]:
    fire = burn(motor, values)
    pairs = [motor_push(fire, time_s) for time_s in motor.curve.time_s]
    thrust_n, mass_kg = max(pairs, key=lambda pair: float(pair[0][0] / pair[1][0]))
    return float(thrust_n[0]), float(mass_kg[0]) * STANDARD_GRAVITY, "a greatest thrust"


def _flight_warnings(values: dict[str, Vector]) -> list[Warned]:
    found = []
    tilt_rad, wind_m_s = float(values["tilt_rad"][0]), float(values["wind_m_s"][0])
    if abs(tilt_rad) > TILT_LIMIT_RAD:
        found.append(Warned(f"the launcher leans {abs(tilt_rad) / DEG:.0f} degrees; at most 30 from the vertical", MODEL_SOURCE))
    if wind_m_s > WIND_LIMIT_M_S:
        found.append(Warned(f"a wind of {wind_m_s * 3.6:.0f} km/h; at most 32 km/h", MODEL_SOURCE))
    return found


def _bottle_warnings(rocket: Rocket, bottle: Bottle, values: dict[str, Vector]) -> list[Warned]:
    pressure_pa = float(values["pressure_pa"][0])
    near_m, far_m = (3, 6) if pressure_pa <= BOTTLE_STEP_PA else (6, 12)
    found = [
        Warned(f"at {pressure_pa / 1e5:.2f} bar stand {near_m} m away with and {far_m} m without eye protection", DISTANCE_SOURCE),
        Warned("retire a bottle after 10 to 15 launches", BOTTLE_SOURCE),
    ]
    if bottle.tube_m2 and tube_exit(bottle, charge(rocket, bottle, values), np.cos(values["tilt_rad"]))[1][0] < 0.1:
        found.append(Warned("the air hardly moves the rocket along the launch tube", "the work on the tube against the weight"))
    return found


def _motor_warnings(motor: Motor, values: dict[str, Vector]) -> list[Warned]:
    fire = burn(motor, values)
    mass_kg = float(motor_push(fire, 0.0)[1][0])
    mean_n = float(values["impulse_ns"][0] / values["burn_time_s"][0])
    checks = (
        (mass_kg, MODEL_MASS_KG, "kg at the launch"),
        (motor.propellant_kg, MODEL_PROPELLANT_KG, "kg of propellant"),
        (float(values["impulse_ns"][0]), MODEL_IMPULSE_NS, "N s of impulse"),
    )
    over = [(seen, most, what) for seen, most, what in checks if seen > most]
    found = [Warned(f"{seen:.4g} {what}; a model rocket has at most {most:g}", MODEL_SOURCE) for seen, most, what in over]
    times = mean_n / (mass_kg * STANDARD_GRAVITY)
    if times < LIVELY_THRUST:
        found.append(Warned(f"the mean thrust is {times:.1f} times the weight; {LIVELY_THRUST:g} times or more expected", PRACTICE))
    return found
