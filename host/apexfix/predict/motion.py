"""The forces on a rocket in the vertical plane of the wind: one point of mass that flies nose into the air it meets."""

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from apexfix.air import Air, density_at, wind_at
from apexfix.model import Vector
from apexfix.predict.rocket import Rocket
from apexfix.units import STANDARD_GRAVITY

# A state is (5, N): time in s, metres downwind and up from the pad, and the two speeds in m/s.
TIME, DOWNWIND, UP, SPEED_DOWNWIND, SPEED_UP = range(5)

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Setting:
    """What stays the same during a flight; arrays are (N,), one per sample."""

    air: Air
    area_m2: Vector  # drag coefficient times frontal area
    wind_m_s: Vector
    sine: Vector  # of the launcher's tilt
    cosine: Vector
    rail_m: float


def setting(rocket: Rocket, values: dict[str, Vector]) -> Setting:
    """Return what stays the same in flights of a rocket with these figures."""
    area_m2 = values["drag_coefficient"] * pi / 4 * rocket.diameter_m**2
    tilt_rad = values["tilt_rad"]
    return Setting(rocket.air, area_m2, values["wind_m_s"], np.sin(tilt_rad), np.cos(tilt_rad), rocket.rail_m)


def at_rest(samples: int) -> Vector:
    """Return the state (5, N) on the pad."""
    return np.zeros((5, samples))


def free(scene: Setting, state: Vector, thrust_n: Vector | float, mass_kg: Vector) -> Vector:
    """Return the acceleration (2, N) downwind and up in free flight: thrust and drag along the air that the rocket meets."""
    meets = state[SPEED_DOWNWIND] - wind_at(scene.air, scene.wind_m_s, state[UP])
    speed = np.hypot(meets, state[SPEED_UP])
    drag_kg_s = 0.5 * density_at(scene.air, state[UP]) * scene.area_m2 * speed
    along = (thrust_n / np.maximum(speed, 1e-9) - drag_kg_s) / mass_kg
    return np.stack([along * meets, along * state[SPEED_UP] - STANDARD_GRAVITY])


def guided(scene: Setting, state: Vector, thrust_n: Vector | float, mass_kg: Vector) -> Vector:
    """Return the acceleration (2, N) on the launcher, along which the rocket must move and where it cannot sink back."""
    speed = state[SPEED_DOWNWIND] * scene.sine + state[SPEED_UP] * scene.cosine
    drag_n = 0.5 * scene.air.density_kg_m3 * scene.area_m2 * speed**2
    along = (thrust_n - drag_n) / mass_kg - STANDARD_GRAVITY * scene.cosine
    held = np.where(speed > 0, along, np.maximum(along, 0.0))
    return np.stack([held * scene.sine, held * scene.cosine])


def powered(scene: Setting, state: Vector, push: tuple[Vector, Vector], on: Flags) -> Vector:
    """Return the acceleration (2, N) under a thrust in N of a mass in kg: `guided` where the flag is set, else `free`."""
    if not on.any():
        return free(scene, state, *push)
    return np.where(on, guided(scene, state, *push), free(scene, state, *push))


def way_along_rail(scene: Setting, state: Vector) -> Vector:
    """Return how far in metres each sample has come along its launcher; of a derivative of a state, the derivative."""
    return np.asarray(state[DOWNWIND] * scene.sine + state[UP] * scene.cosine)


def rates(state: Vector, acceleration: Vector) -> Vector:
    """Return the derivative (5, N) of a state by time."""
    return np.stack([np.ones_like(state[TIME]), state[SPEED_DOWNWIND], state[SPEED_UP], acceleration[0], acceleration[1]])
