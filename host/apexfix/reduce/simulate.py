"""The interval of a height by Monte Carlo, for the few flights whose likelihood stays flat on one side."""

from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.reduce.least_squares import fix_many
from apexfix.reduce.solve import Solution
from apexfix.reduce.uncertainty import monte_carlo, symmetric_interval

DRAWS: Final = 4000  # the ends of a 95 % interval move by a twentieth of a sigma from one set of draws to the next
_TAIL: Final = 0.025


def simulated_interval(solution: Solution) -> tuple[tuple[float, float], bool]:
    """Return the 95 % interval of a solution of one flight, and whether both ends are known.

    Notes
    -----
    JCGM 101:2008: readings drawn about those that were read, each solved. A draw that has no position stands for a height beyond
    all others, because its lines of sight are parallel or spread apart; where more than one draw in forty has none, the upper
    end is not known.
    """
    count, sigma = len(solution.batch.stations), solution.sigma_rad[0]
    readings = np.concatenate([solution.batch.azimuth_rad[0], solution.lines.elevation_rad[0]])
    drawn = readings + np.nan_to_num(sigma.T.ravel()) * np.random.default_rng(0).normal(size=(DRAWS, 2 * count))

    def heights(inputs: Vector) -> Vector:
        azimuth, elevation = inputs[:, :count], inputs[:, count:]
        curvature = solution.lines.curvature_per_m
        fixes = fix_many(azimuth, elevation, solution.batch.station_m, sigma[:, 0], sigma[:, 1], curvature_per_m=curvature)
        return fixes.position_m[:, 2]

    outputs = monte_carlo(heights, drawn)
    found = np.isfinite(outputs)
    highest = max(float(outputs[found].max(initial=0.0)), float(solution.fixes.position_m[0, 2]))
    return symmetric_interval(np.where(found, outputs, highest)), bool(np.mean(~found) < _TAIL)
