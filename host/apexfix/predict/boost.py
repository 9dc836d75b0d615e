"""How each engine pushes: the plan of its stretches, which both integrators follow."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.air import DRY_AIR_J_KG_K
from apexfix.model import Vector
from apexfix.predict.bottle import GAMMA, SPENT, WATER_KG_M3, air_flow, expanded_pressure, expansion_work, water_speed
from apexfix.predict.motion import at_rest
from apexfix.predict.rocket import Bottle, Burnout, Motor, Rocket
from apexfix.predict.thrust import impulse_until, total_impulse
from apexfix.units import STANDARD_GRAVITY

# Water that the pressure cannot drive out stays in; the stretch ends when the gauge pressure has fallen to this share of the first.
_STALLED: Final = 0.01


@dataclass(frozen=True, slots=True)
class Charge:
    """A water rocket's contents at the start and at the ends of its stretches; every array is (N,), pressures are absolute.

    A launch tube is taken as hollow with a thin wall: sliding off it makes room for the air, and what fills the tube stays behind.
    """

    outside_pa: float
    nozzle_m2: float
    exponent: Vector
    dry_kg: Vector
    water_m3: Vector
    left_m3: Vector  # water that stays in
    air_m3: Vector  # before any water leaves
    end_m3: Vector  # air, when the last water leaves
    start_pa: Vector
    free_pa: Vector  # off the launch tube
    blow_pa: Vector  # when the air begins to leave
    blow_k: Vector  # temperature then
    air_kg: Vector  # in the bottle, off the launch tube


def charge(rocket: Rocket, bottle: Bottle, values: dict[str, Vector]) -> Charge:
    """Return what the figures say about the contents of a bottle."""
    outside_pa, n = rocket.air.pressure_pa, values["exponent"]
    water_m3 = np.minimum(values["water_m3"], 0.999 * bottle.volume_m3)
    air_m3, start_pa = bottle.volume_m3 - water_m3, outside_pa + values["pressure_pa"]
    grown_m3 = air_m3 + bottle.tube_m2 * bottle.tube_m
    free_pa = expanded_pressure(start_pa, air_m3, grown_m3, n)
    stall_pa = np.minimum(outside_pa + _STALLED * values["pressure_pa"], free_pa)
    end_m3 = np.minimum(bottle.volume_m3, air_m3 * (free_pa / stall_pa) ** (1 / n))
    left_m3 = bottle.volume_m3 - end_m3
    return Charge(
        outside_pa=outside_pa,
        nozzle_m2=bottle.nozzle_m2,
        exponent=n,
        dry_kg=values["dry_mass_kg"],
        water_m3=water_m3,
        left_m3=left_m3,
        air_m3=air_m3,
        end_m3=end_m3,
        start_pa=start_pa,
        free_pa=free_pa,
        blow_pa=np.where(left_m3 > 0, outside_pa, expanded_pressure(free_pa, air_m3, end_m3, n)),
        blow_k=rocket.air.temperature_k * (air_m3**2 / (grown_m3 * end_m3)) ** (n - 1),
        air_kg=start_pa * air_m3 / (DRY_AIR_J_KG_K * rocket.air.temperature_k) * air_m3 / grown_m3,
    )


def tube_exit(bottle: Bottle, load: Charge, cosine: Vector) -> Vector:
    """Return the time and the speed (2, N) at which the nozzle leaves the launch tube; zeros where the air cannot lift the rocket.

    The air works on the tube's cross-section and no water leaves; drag, below a thousandth of it, is left out. Speed follows from
    the work, time from Gauss quadrature over the root of the way, which has no singular end.
    """
    mass_kg = load.dry_kg + load.air_kg + load.water_m3 * WATER_KG_M3

    def speed(way_m: float) -> Vector:
        grown_m3 = bottle.tube_m2 * way_m
        given_j = expansion_work(load.start_pa, load.air_m3, load.air_m3 + grown_m3, load.exponent)
        work_j = given_j - load.outside_pa * grown_m3
        return np.asarray(np.sqrt(2 * np.maximum(work_j / mass_kg - STANDARD_GRAVITY * cosine * way_m, 1e-12)))

    node, weight = np.polynomial.legendre.leggauss(12)
    root = (node + 1) / 2
    time_s = sum((w * bottle.tube_m * r / speed(bottle.tube_m * r**2) for r, w in zip(root, weight, strict=True)), 0 * mass_kg)
    last_m_s = speed(bottle.tube_m)
    return np.stack([time_s, last_m_s]) * (last_m_s > 1e-3)


def off_the_tube(bottle: Bottle, load: Charge, tilt_rad: Vector) -> Vector:
    """Return the state (5, N) when the water begins to leave."""
    if bottle.tube_m2 * bottle.tube_m == 0:
        return at_rest(len(load.dry_kg))
    sine, cosine = np.sin(tilt_rad), np.cos(tilt_rad)
    time_s, speed = tube_exit(bottle, load, cosine)
    way_m = bottle.tube_m * (speed > 0)
    return np.stack([time_s, way_m * sine, way_m * cosine, speed * sine, speed * cosine])


def water_push(load: Charge, air_m3: Vector) -> tuple[Vector, Vector, Vector]:
    """Return the thrust in N, the mass in kg and the flow of water in m3/s when the air has grown to a volume."""
    speed = water_speed(expanded_pressure(load.free_pa, load.air_m3, air_m3, load.exponent), load.outside_pa)
    mass_kg = load.dry_kg + load.air_kg + (load.left_m3 + load.end_m3 - air_m3) * WATER_KG_M3
    return WATER_KG_M3 * load.nozzle_m2 * speed**2, mass_kg, load.nozzle_m2 * speed


def air_push(load: Charge, pressure_pa: Vector) -> tuple[Vector, Vector, Vector]:
    """Return the thrust in N, the mass in kg and the flow of air in kg/s when the pressure has fallen to an absolute figure."""
    share = pressure_pa / load.blow_pa
    thrust_n, flow_kg_s = air_flow(pressure_pa, load.blow_k * share ** ((GAMMA - 1) / GAMMA), load.outside_pa, load.nozzle_m2)
    mass_kg = load.dry_kg + load.left_m3 * WATER_KG_M3 + load.air_kg * share ** (1 / GAMMA)
    return thrust_n, mass_kg, flow_kg_s


def spent_pa(load: Charge) -> Vector:
    """Return the absolute pressure at which the blow-down is over; the first pressure where there is none."""
    return np.minimum(load.blow_pa, load.outside_pa * (1 + SPENT))


@dataclass(frozen=True, slots=True)
class Burn:
    """A motor's curve scaled to each sample; a stretch of the curve's own time is shared by all samples."""

    motor: Motor
    pace: Vector  # (N,) real seconds in a second of the curve
    strength: Vector  # (N,) real newtons in a newton of the curve
    dry_kg: Vector  # (N,)


def burn(motor: Motor, values: dict[str, Vector]) -> Burn:
    """Return the curve scaled to the impulses and burn times."""
    pace = values["burn_time_s"] / motor.curve.time_s[-1]
    return Burn(motor, pace, values["impulse_ns"] / (total_impulse(motor.curve) * pace), values["dry_mass_kg"])


def motor_push(fire: Burn, curve_s: Vector | float) -> tuple[Vector, Vector]:
    """Return the thrust in N and the mass in kg at a time of the curve."""
    curve = fire.motor.curve
    thrust_n = fire.strength * np.interp(curve_s, curve.time_s, curve.thrust_n)
    left = 1 - impulse_until(curve, curve_s) / total_impulse(curve)
    return thrust_n, fire.dry_kg + fire.motor.case_kg + fire.motor.propellant_kg * left


def known_burnout(engine: Burnout, values: dict[str, Vector]) -> Vector:
    """Return the state (5, N) of an engine of which only the end is known, reached straight along the launcher."""
    speed_m_s, tilt_rad = values["burnout_m_s"], values["tilt_rad"]
    height_m, time_s = np.full_like(speed_m_s, engine.height_m), np.full_like(speed_m_s, engine.time_s)
    across_m = height_m * np.tan(tilt_rad)
    return np.stack([time_s, across_m, height_m, speed_m_s * np.sin(tilt_rad), speed_m_s * np.cos(tilt_rad)])


def burnt_out_kg(rocket: Rocket, values: dict[str, Vector]) -> Vector:
    """Return the mass (N,) that coasts."""
    if isinstance(rocket.engine, Bottle):
        load = charge(rocket, rocket.engine, values)
        return air_push(load, spent_pa(load))[1]
    if isinstance(rocket.engine, Motor):
        return values["dry_mass_kg"] + rocket.engine.case_kg
    return values["dry_mass_kg"]
