"""What there is to know about a rocket before it flies. Values only; `rocket_file` reads them.

Every figure that has a spread stands in ``Rocket.quantities`` under one of these names; the rest is taken as exact.

========================  ========================================================================================
drag_coefficient          of the frontal area that the diameter gives
dry_mass_kg               without motor, water and air
wind_m_s                  at the height of ``Air.wind_height_m``; the rocket's plane of motion is the wind's
tilt_rad                  of the launcher from the vertical, positive downwind
descent_m_s               steady rate under the recovery device
pressure_pa               water: gauge pressure in the bottle
water_m3                  water: what is filled in
exponent                  water: of the polytropic expansion, 1 (isothermal) to 1.4 (no heat from the walls)
impulse_ns, burn_time_s   motor: what the thrust table is scaled to
delay_s                   motor: from burnout to ejection; absent where there is none
burnout_m_s               burnout speed known
========================  ========================================================================================
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from apexfix.air import Air
from apexfix.model import Vector
from apexfix.predict.quantity import Quantity
from apexfix.predict.thrust import ThrustTable


@dataclass(frozen=True, slots=True)
class Bottle:
    """A water rocket's pressure vessel and where its contents leave."""

    volume_m3: float
    nozzle_m2: float
    tube_m2: float  # outer cross-section of the launch tube, 0 where there is none
    tube_m: float  # how far the bottle slides along it before the nozzle is free


@dataclass(frozen=True, slots=True)
class Motor:
    """A solid motor."""

    curve: ThrustTable
    propellant_kg: float  # leaves in proportion to the impulse
    case_kg: float  # stays


@dataclass(frozen=True, slots=True)
class Burnout:
    """Where and when an engine that is not described any further stopped."""

    height_m: float
    time_s: float


@dataclass(frozen=True, slots=True)
class Rocket:
    """Everything that a flight follows from."""

    name: str
    engine: Bottle | Motor | Burnout
    diameter_m: float
    rail_m: float  # of guided motion from the start
    air: Air
    quantities: Mapping[str, Quantity]
    # of the standard normal scores of two quantities; pairs that are not here are independent
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)


def nominal(rocket: Rocket) -> dict[str, Vector]:
    """Return the stated figures, each (1,), as the integrators take them."""
    return {name: np.array([quantity.value]) for name, quantity in rocket.quantities.items()}


def correlation_factor(names: Sequence[str], correlations: Mapping[tuple[str, str], float]) -> Vector:
    """Return the lower triangle (n, n) that turns independent standard normal scores of named quantities into correlated ones.

    Raises
    ------
    numpy.linalg.LinAlgError
        The correlations contradict one another.
    """
    matrix = np.eye(len(names))
    for pair, coefficient in correlations.items():
        if set(pair) <= set(names):
            one, other = (names.index(name) for name in pair)
            matrix[one, other] = matrix[other, one] = coefficient
    return np.asarray(np.linalg.cholesky(matrix))


def kind(rocket: Rocket) -> str:
    """Return the word for the engine that ROCKET.toml uses."""
    return {Bottle: "water", Motor: "motor", Burnout: "burnout"}[type(rocket.engine)]
