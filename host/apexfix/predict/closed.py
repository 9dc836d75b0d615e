"""Closed forms of a flight straight up through air of one density: what every integrator must agree with in the limit.

Notes
-----
Drag is k v², k = density · drag coefficient · frontal area / 2. Derivations: separation of variables in any text of mechanics;
for the boost Fehskens & Malewicki, as given in Mandell, Caporaso & Bengen, *Topics in Advanced Model Rocketry*, MIT Press 1973.
"""

from dataclasses import dataclass
from math import atan, cosh, log, log1p, sqrt, tanh

import numpy as np

from apexfix.units import STANDARD_GRAVITY


@dataclass(frozen=True, slots=True)
class Coast:
    """A body that coasts upward."""

    mass_kg: float
    drag_kg_m: float  # k
    gravity_m_s2: float = STANDARD_GRAVITY


@dataclass(frozen=True, slots=True)
class Rise:
    """How far a stretch leads up, how long it takes and how fast it ends."""

    height_m: float
    time_s: float
    speed_m_s: float


def coast_without_drag(speed_m_s: float, elevation_rad: float, gravity_m_s2: float = STANDARD_GRAVITY) -> float:
    """Return the rise in metres of a body thrown at a speed and an elevation where there is no air.

    Examples
    --------
    >>> round(coast_without_drag(10.0, np.pi / 2, gravity_m_s2=10.0), 12)
    5.0
    """
    return float((speed_m_s * np.sin(elevation_rad)) ** 2 / (2 * gravity_m_s2))


def coast(body: Coast, speed_m_s: float) -> Rise:
    """Return the rise from a speed straight up to the apex."""
    weight_n = body.mass_kg * body.gravity_m_s2
    terminal_m_s = sqrt(weight_n / body.drag_kg_m)
    height_m = body.mass_kg / (2 * body.drag_kg_m) * log1p((speed_m_s / terminal_m_s) ** 2)
    return Rise(height_m, terminal_m_s / body.gravity_m_s2 * atan(speed_m_s / terminal_m_s), 0.0)


def boost(body: Coast, thrust_n: float, time_s: float) -> Rise:
    """Return the rise from rest under a constant thrust with a constant (the mean) mass."""
    net_n = thrust_n - body.mass_kg * body.gravity_m_s2
    turn = time_s / body.mass_kg * sqrt(body.drag_kg_m * net_n)
    return Rise(body.mass_kg / body.drag_kg_m * log(cosh(turn)), time_s, sqrt(net_n / body.drag_kg_m) * tanh(turn))
