"""Flights of one rocket beside its model: which figures are uncertain, and what each flight would have done with others."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.errors import ReductionError
from apexfix.learn.evidence import Measured
from apexfix.model import Vector
from apexfix.predict import Rocket, ascents
from apexfix.predict.quantity import at
from apexfix.predict.rocket import correlation_factor

DRIVES: Final = ("burnout_m_s", "pressure_pa", "impulse_ns")  # what gives each kind of rocket its speed
DRAG: Final = "drag_coefficient"
EXPONENT: Final = "exponent"
_SHARED: Final = (DRAG, *DRIVES, EXPONENT, "burn_time_s", "dry_mass_kg")
_OWN: Final = ("wind_m_s", "tilt_rad", "water_m3")


@dataclass(frozen=True, slots=True)
class Problem:
    """Flights of one rocket, ready to be compared with what was measured: F flights, S shared and O own scores in each.

    Shared scores belong to the rocket, its scale and its gauge, and are the same in all flights; own ones belong to one flight.
    """

    rocket: Rocket
    measured: tuple[Measured, ...]
    shared: tuple[str, ...]
    own: tuple[str, ...]
    factor: Vector  # (S + O, S + O) from independent to correlated scores of one flight
    seen: Vector  # (F, 2) height in m and time in s, NaN where there is none
    sigma: Vector  # (F, 2)


def problem(rocket: Rocket, measured: tuple[Measured, ...]) -> Problem:
    """Return the comparison of a rocket's stated figures with its flights.

    Raises
    ------
    ReductionError
        The drag coefficient or what drives the rocket is stated as exact, so that nothing can be learnt.
    """
    uncertain = {name for name, quantity in rocket.quantities.items() if quantity.sigma > 0}
    for name in (DRAG, drive(rocket)):
        if name not in uncertain:
            raise ReductionError(f"a sigma of 0 seen for {name}, one above 0 expected: what is exact cannot be learnt")
    shared = tuple(name for name in _SHARED if name in uncertain)
    own = tuple(name for name in _OWN if name in uncertain)
    seen = [(one.height_m, np.nan if one.time_s is None else one.time_s) for one in measured]
    sigma = [(one.sigma_height_m, one.sigma_time_s) for one in measured]
    factor = correlation_factor(shared + own, rocket.correlations)
    return Problem(rocket, measured, shared, own, factor, np.array(seen), np.array(sigma))


def drive(rocket: Rocket) -> str:
    """Return the name of the figure that gives this kind of rocket its speed."""
    return next(name for name in DRIVES if name in rocket.quantities)


def flown(asked: Problem, scores: list[Vector]) -> Vector:
    """Return heights in m and times in s (2, all columns) where each flight has its own columns (S + O, N) of correlated scores."""
    names = asked.shared + asked.own
    values = {}
    for name in asked.rocket.quantities:
        parts = []
        for one, columns in zip(asked.measured, scores, strict=True):
            quantity = one.rocket.quantities[name]
            stated = np.full(columns.shape[1], quantity.value)
            parts.append(at(quantity, columns[names.index(name)]) if name in names else stated)
        values[name] = np.concatenate(parts)
    found = ascents(asked.rocket, values)
    return np.stack([found.apex_m, found.apex_s])
