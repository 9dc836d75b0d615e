"""One flight by scipy's integrators in time, with events: the second opinion on `batch`, and the picture of the whole way."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from scipy.integrate import solve_ivp

from apexfix.model import Vector
from apexfix.predict.boost import (
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
from apexfix.predict.motion import SPEED_UP, TIME, UP, Setting, at_rest, free, powered, rates, setting, way_along_rail
from apexfix.predict.rocket import Bottle, Burnout, Motor, Rocket

_LONGEST_S: Final = 600.0
Push = tuple[Vector, Vector, Vector]  # thrust in N, mass in kg, rate of what drives it


@dataclass(frozen=True, slots=True)
class Trajectory:
    """One flight from ignition to the ground without any recovery device; states are (5,) as in `motion`."""

    burnout: Vector
    apex: Vector
    ground: Vector
    coast: Callable[[float], Vector]  # time in s after burnout, up to the ground -> state


def trajectory(rocket: Rocket, values: dict[str, Vector], rtol: float = 1e-9) -> Trajectory:
    """Return the flight of a rocket with one column of figures, each (1,)."""
    scene = setting(rocket, values)
    burnt = burnout_once(rocket, scene, values, rtol)
    mass_kg = burnt_out_kg(rocket, values)

    def rate(_: float, state: Vector) -> Vector:
        return rates(state[:, None], free(scene, state[:, None], 0.0, mass_kg))[:, 0]

    def top(_: float, state: Vector) -> float:
        return float(state[SPEED_UP])

    def ground(_: float, state: Vector) -> float:
        return float(state[UP]) if state[SPEED_UP] < 0 else 1.0

    ground.terminal, ground.direction, top.direction = True, -1, -1  # type: ignore[attr-defined]
    end_s = burnt[TIME] + _LONGEST_S
    flown = solve_ivp(
        rate, (burnt[TIME], end_s), burnt, events=(top, ground), dense_output=True, method="DOP853", rtol=rtol, atol=1e-10
    )
    assert flown.y_events is not None
    assert flown.sol is not None
    apex = flown.y_events[0][0] if len(flown.y_events[0]) else burnt
    return Trajectory(burnt, apex, flown.y[:, -1], flown.sol)


def burnout_once(rocket: Rocket, scene: Setting, values: dict[str, Vector], rtol: float = 1e-9) -> Vector:
    """Return the state (5,) at which the thrust ends."""
    match rocket.engine:
        case Bottle():
            return _bottle_burnout(rocket, rocket.engine, scene, values, rtol)
        case Motor():
            return _motor_burnout(rocket.engine, scene, values, rtol)
        case Burnout():
            return known_burnout(rocket.engine, values)[:, 0]


def _bottle_burnout(rocket: Rocket, bottle: Bottle, scene: Setting, values: dict[str, Vector], rtol: float) -> Vector:
    load = charge(rocket, bottle, values)
    wet = off_the_tube(bottle, load, values["tilt_rad"])[:, 0]
    last_kg = load.air_kg * (spent_pa(load) / load.blow_pa) ** (1 / GAMMA)

    def water(_: float, air_m3: Vector) -> Push:
        return water_push(load, air_m3)

    def air(_: float, inside_kg: Vector) -> Push:
        held_kg = np.maximum(inside_kg, last_kg / 2)  # a trial step may reach beyond the end
        thrust_n, mass_kg, flow_kg_s = air_push(load, load.blow_pa * (held_kg / load.air_kg) ** GAMMA)
        return thrust_n, mass_kg, -flow_kg_s

    dry = _stretch(scene, water, (wet, load.air_m3), load.end_m3, rtol)
    if load.blow_pa[0] <= spent_pa(load)[0]:
        return dry
    return _stretch(scene, air, (dry, load.air_kg), last_kg, rtol)


def _motor_burnout(motor: Motor, scene: Setting, values: dict[str, Vector], rtol: float) -> Vector:
    fire = burn(motor, values)
    state, pace = at_rest(1)[:, 0], float(fire.pace[0])

    def rate(time_s: float, state: Vector) -> Vector:
        return _moved(scene, state, motor_push(fire, time_s / pace))

    for here, there in pairwise(motor.curve.time_s * pace):
        solved = solve_ivp(rate, (here, there), state, method="DOP853", rtol=rtol, atol=1e-10)
        state = solved.y[:, -1]
    return np.asarray(state)


def _moved(scene: Setting, state: Vector, push: tuple[Vector, Vector]) -> Vector:
    """Return the derivative (5,) by time under a thrust in N of a mass in kg."""
    column = state[:, None]
    return rates(column, powered(scene, column, push, way_along_rail(scene, column) < scene.rail_m))[:, 0]


def _stretch(
    scene: Setting, push: Callable[[float, Vector], Push], start: tuple[Vector, Vector], last: Vector, rtol: float
) -> Vector:
    """Return the state (5,) when the content that drives the stretch, in volume or mass, has come to its last figure."""
    begin, content = start

    def rate(time_s: float, both: Vector) -> Vector:
        thrust_n, mass_kg, change = push(time_s, both[5:])
        return np.concatenate([_moved(scene, both[:5], (thrust_n, mass_kg)), change])

    def over(_: float, both: Vector) -> float:
        return float((both[5] - last[0]) / (content[0] - last[0]))

    over.terminal = True  # type: ignore[attr-defined]
    whole = np.concatenate([begin, content])
    solved = solve_ivp(
        rate, (begin[TIME], begin[TIME] + _LONGEST_S), whole, events=over, method="DOP853", rtol=rtol, atol=1e-12, first_step=1e-5
    )
    return np.asarray(solved.y[:5, -1])
