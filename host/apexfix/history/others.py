"""How far each reading is from where all other readings put the apex: what a residual would be, had the reading had no part in it.

A fix follows every reading a little, so that a residual shows less than the error behind it, and the less the fewer stations there
are. With the redundancy r of a reading, residual / r is exactly the misclosure against the fix without it (leaving one out in
linear least squares: Cook & Weisberg, *Residuals and Influence in Regression*, 1982, section 2.2).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import cos, hypot, sin, sqrt
from typing import Final

import numpy as np

from apexfix.geometry import angles
from apexfix.model import FlightResult, Residual, Site, Vector
from apexfix.reduce.answer import LEAST_SQUARES, QUANTITIES

_LEAST_REDUNDANCY: Final = 0.05  # below this the others say next to nothing about a reading
_UNKNOWNS: Final = 3


@dataclass(frozen=True, slots=True)
class Apart:
    """A reading less what all others make of it."""

    station: str
    quantity: str
    value_rad: float
    sigma_rad: float  # of the reading and of what the others predict


def apart_from_others(site: Site, result: FlightResult) -> tuple[Apart, ...]:
    """Return every reading of a flight that others check; none where the flight has no plain fix or a single checked reading."""
    if result.position_m is None or result.method != LEAST_SQUARES:
        return ()
    rows = list(_rows(site, result, result.position_m))
    used = np.array([row[4] for row in rows], dtype=bool)
    if used.sum() <= _UNKNOWNS:
        return ()
    design = np.array([row[3] / row[2] for row in rows])  # whitened
    normal = design[used].T @ design[used]
    if np.linalg.matrix_rank(normal) < _UNKNOWNS:
        return ()
    leverage = np.einsum("ni,ij,nj->n", design, np.linalg.inv(normal), design)
    found = []
    for (residual, quantity, sigma, _, counted), share in zip(rows, leverage.tolist(), strict=True):
        redundancy = 1 - share if counted else 1.0
        value = residual.azimuth_rad if quantity == "azimuth" else residual.elevation_rad
        if value is not None and redundancy > _LEAST_REDUNDANCY:
            spread = sigma / sqrt(redundancy) if counted else sigma * sqrt(1 + share)
            found.append(Apart(residual.station, quantity, value / redundancy, spread))
    return tuple(found)


def _rows(site: Site, result: FlightResult, position_m: Vector) -> Iterator[tuple[Residual, str, float, Vector, bool]]:
    """Yield residual, quantity, sigma, gradient over east, north and up in rad/m, and whether the reading was used."""
    out = {(excluded.station, excluded.quantity) for excluded in result.excluded}
    for residual in result.residuals:
        gradients = _gradients(position_m - site.station(residual.station).position_m)
        sigmas = (residual.sigma_azimuth_rad, residual.sigma_elevation_rad)
        values = (residual.azimuth_rad, residual.elevation_rad)
        for quantity, value, sigma, gradient in zip(QUANTITIES, values, sigmas, gradients, strict=True):
            if value is not None and sigma:
                yield residual, quantity, sigma, gradient, (residual.station, quantity) not in out


def _gradients(sight_m: Vector) -> tuple[Vector, Vector]:
    """Return how azimuth and elevation change with the position seen, in rad/m."""
    azimuth, elevation = (float(angle) for angle in angles(sight_m))
    level, distance = max(hypot(sight_m[0], sight_m[1]), 1e-3), float(np.linalg.norm(sight_m))
    across = np.array([cos(azimuth), -sin(azimuth), 0.0]) / level
    up = np.array([-sin(elevation) * sin(azimuth), -sin(elevation) * cos(azimuth), cos(elevation)]) / distance
    return across, up
