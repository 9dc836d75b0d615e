"""Many flights at once: every sample is a column, every stretch of the flight has its own natural variable.

A loop that watches each sample for its own events would spoil the vectors. So the water leaves by volume, the air by pressure, a
motor burns by the time of its curve, and the coast runs by the speed that is left: each stretch then ends for all samples at the
same value of its variable, and Runge's and Kutta's classical method of the fourth order takes the same few steps for all.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.predict.boost import (
    Burn,
    air_push,
    burn,
    burnt_out_kg,
    charge,
    known_burnout,
    motor_push,
    off_the_tube,
    spent_pa,
    water_push,
)
from apexfix.predict.bottle import GAMMA
from apexfix.predict.motion import (
    DOWNWIND,
    SPEED_DOWNWIND,
    SPEED_UP,
    TIME,
    UP,
    Flags,
    Setting,
    at_rest,
    free,
    powered,
    rates,
    setting,
    way_along_rail,
)
from apexfix.predict.rocket import Bottle, Burnout, Motor, Rocket
from apexfix.units import STANDARD_GRAVITY

Rate = Callable[[Vector | float, Vector, Flags], Vector]  # variable, states, which are on the rail -> derivatives by the variable

_WATER_STEPS: Final = 40
_AIR_STEPS: Final = 40
_COAST_STEPS: Final = 60
_CURVE_STEPS: Final = 50  # over a whole burn
_RAIL_STEPS: Final = 20  # up to twice the time at which the rail ends, where thrust turns into the wind


@dataclass(frozen=True, slots=True)
class Ascents:
    """Flights up to the apex, without a recovery device that opens before it. Every array is (N,), from the pad at ignition."""

    burnout_s: Vector
    burnout_m: Vector  # height
    burnout_m_s: Vector  # speed over the ground
    apex_s: Vector
    apex_m: Vector  # height
    apex_downwind_m: Vector


def ascents(rocket: Rocket, values: dict[str, Vector]) -> Ascents:
    """Return the flights of a rocket with each column of figures.

    Parameters
    ----------
    values : dict of (N,) arrays
        One for every name in ``rocket.quantities``.
    """
    scene = setting(rocket, values)
    burnt, highest = burnout(rocket, scene, values)
    coasted = coast_to_apex(scene, burnt, burnt_out_kg(rocket, values))
    apex = _higher(coasted, highest)
    speed = np.hypot(burnt[SPEED_DOWNWIND], burnt[SPEED_UP])
    return Ascents(burnt[TIME], burnt[UP], speed, apex[TIME], apex[UP], apex[DOWNWIND])


def burnout(rocket: Rocket, scene: Setting, values: dict[str, Vector]) -> tuple[Vector, Vector]:
    """Return the states (5, N) at which the thrust ends, and the highest on the way: the same, but where the thrust is too weak."""
    match rocket.engine:
        case Bottle():
            return _bottle_burnout(rocket, rocket.engine, scene, values)
        case Motor():
            return _motor_burnout(rocket.engine, scene, values)
        case Burnout():
            known = known_burnout(rocket.engine, values)
            return known, known


def coast_to_apex(scene: Setting, burnt: Vector, mass_kg: Vector) -> Vector:
    """Return the states (5, N) at the apex. The upward speed runs from its first value to zero and never stands still."""
    upward = np.maximum(burnt[SPEED_UP], 0.0)

    def rate(done: Vector | float, state: Vector, _: Flags) -> Vector:
        state = state.copy()
        state[SPEED_UP] = upward * (1 - done)
        by_time = rates(state, free(scene, state, 0.0, mass_kg))
        return np.asarray(by_time * (-upward / np.minimum(by_time[SPEED_UP], -STANDARD_GRAVITY)))

    return march(scene, rate, burnt, np.linspace(0, 1, _COAST_STEPS + 1))[0]


def march(scene: Setting, rate: Rate, state: Vector, grid: Vector) -> tuple[Vector, Vector]:
    """Return the states at the end of a grid of the independent variable, one step from point to point, and the highest passed.

    Where a sample leaves its rail within a step, the step is taken in two: the turn into the wind must begin at the right place.
    """
    on, highest = way_along_rail(scene, state) < scene.rail_m, state
    for here, there in pairwise(grid):
        ended = _step(rate, (here, there - here), state, on)
        leaves = on & (way_along_rail(scene, ended) >= scene.rail_m)
        if leaves.any():
            share = np.where(leaves, _share_on_rail(scene, rate, (here, there), (state, ended), on), 1.0)
            ended = _step(rate, (here, share * (there - here)), state, on)
            on = on & ~leaves
            ended = _step(rate, (here + share * (there - here), (1 - share) * (there - here)), ended, on)
        state, highest = ended, _higher(ended, highest)
    return state, highest


def _higher(one: Vector, other: Vector) -> Vector:
    return np.where(one[UP] > other[UP], one, other)


def _step(rate: Rate, span: tuple[Vector | float, Vector | float], state: Vector, on: Flags) -> Vector:
    """Return the states after one classical Runge-Kutta step; a span is where it begins and how long it is, one or (N,)."""
    here, step = span
    first = rate(here, state, on)
    second = rate(here + step / 2, state + step / 2 * first, on)
    third = rate(here + step / 2, state + step / 2 * second, on)
    fourth = rate(here + step, state + step * third, on)
    return state + step / 6 * (first + 2 * (second + third) + fourth)


def _share_on_rail(scene: Setting, rate: Rate, span: tuple[float, float], ends: tuple[Vector, Vector], on: Flags) -> Vector:
    """Return the share (N,) of a step at which the rail ends: Newton's root of the cubic through both ends and their slopes."""
    step = span[1] - span[0]
    way = [way_along_rail(scene, state) for state in ends]
    slope = [step * way_along_rail(scene, rate(at, state, on)) for at, state in zip(span, ends, strict=True)]
    gained = way[1] - way[0]
    square, cube = 3 * gained - 2 * slope[0] - slope[1], slope[0] + slope[1] - 2 * gained
    to_go = scene.rail_m - way[0]
    share = np.clip(to_go / np.maximum(gained, 1e-12), 0, 1)
    for _ in range(6):
        miss = share * (slope[0] + share * (square + share * cube)) - to_go
        steep = slope[0] + share * (2 * square + 3 * share * cube)
        share = np.clip(share - miss / np.where(np.abs(steep) > 1e-12, steep, 1.0), 0, 1)
    return share


def _bottle_burnout(rocket: Rocket, bottle: Bottle, scene: Setting, values: dict[str, Vector]) -> tuple[Vector, Vector]:
    load = charge(rocket, bottle, values)
    last_pa = spent_pa(load)

    def water(done: Vector | float, state: Vector, on: Flags) -> Vector:
        span_m3 = load.end_m3 - load.air_m3
        thrust_n, mass_kg, flow_m3_s = water_push(load, load.air_m3 + done * span_m3)
        return rates(state, powered(scene, state, (thrust_n, mass_kg), on)) * (span_m3 / np.maximum(flow_m3_s, 1e-12))

    def air(done: Vector | float, state: Vector, on: Flags) -> Vector:
        # the square gathers steps where the flow dies away like the root of the gauge pressure
        pressure_pa = last_pa + (load.blow_pa - last_pa) * (1 - done) ** 2
        by_done = -2 * (1 - done) * (load.blow_pa - last_pa)
        thrust_n, mass_kg, flow_kg_s = air_push(load, pressure_pa)
        inside_kg = mass_kg - load.dry_kg
        by_pressure = inside_kg / (GAMMA * pressure_pa)
        seconds = np.where(load.blow_pa > last_pa, by_done * by_pressure / -np.maximum(flow_kg_s, 1e-12), 0.0)
        return rates(state, powered(scene, state, (thrust_n, mass_kg), on)) * seconds

    wet, before = march(scene, water, off_the_tube(bottle, load, values["tilt_rad"]), np.linspace(0, 1, _WATER_STEPS + 1))
    burnt, highest = march(scene, air, wet, np.linspace(0, 1, _AIR_STEPS + 1))
    return burnt, _higher(highest, before)


def _motor_burnout(motor: Motor, scene: Setting, values: dict[str, Vector]) -> tuple[Vector, Vector]:
    fire = burn(motor, values)

    def rate(curve_s: Vector | float, state: Vector, on: Flags) -> Vector:
        return rates(state, powered(scene, state, motor_push(fire, curve_s), on)) * fire.pace

    return march(scene, rate, at_rest(len(fire.pace)), curve_grid(fire, scene.rail_m))


def curve_grid(fire: Burn, rail_m: float) -> Vector:
    """Return times of the curve with all its points and the lift-off among them, close up to the rail's end and wide after it."""
    curve = fire.motor.curve
    fine_s = np.linspace(0, curve.time_s[-1], 2001)
    middle = Burn(fire.motor, *(np.median(part, keepdims=True) for part in (fire.pace, fire.strength, fire.dry_kg)))
    thrust_n, mass_kg = motor_push(middle, fine_s)
    gained = np.maximum(thrust_n / mass_kg - STANDARD_GRAVITY, 0.0)
    pace = float(middle.pace[0])
    way_m = np.cumsum(np.cumsum(gained)) * (fine_s[1] * pace) ** 2
    leaves_s = min(2 * fine_s[min(int(np.searchsorted(way_m, rail_m)), 2000)], curve.time_s[-1])
    near, far = leaves_s / _RAIL_STEPS, curve.time_s[-1] / _CURVE_STEPS
    lifts_s = fine_s[np.argmax(gained > 0)]  # a step across it would blur the start by a ten-thousandth of the height
    points = [curve.time_s[:1]]
    for here, there in pairwise(np.unique([*curve.time_s, lifts_s])):
        for begin, end, widest in ((here, min(there, leaves_s), near), (max(here, leaves_s), there, far)):
            if end > begin:
                points.append(np.linspace(begin, end, int(np.ceil((end - begin) / widest)) + 1)[1:])
    return np.concatenate(points)
