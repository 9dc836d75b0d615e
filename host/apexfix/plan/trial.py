"""A layout on trial: drawn readings of the expected flights, reduced as on the day. Shows where first order promises too much."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.geometry import angles
from apexfix.model import Vector
from apexfix.plan.search import Task
from apexfix.reduce.least_squares import fix_many

_SEED: Final = 20
_HOLDS: Final = 0.05  # of the sigma: nearer than this first order is kept, because it has no noise of its own


@dataclass(frozen=True, slots=True)
class Promise:
    """The sigma of the height to expect."""

    sigma_m: float  # what to promise
    first_order_m: float  # from the covariance alone
    unsolved: float  # share of the flights that would have no position

    @property
    def bent(self) -> bool:
        """First order did not hold, and the trial's own figure is promised."""
        return self.sigma_m != self.first_order_m


def promise(task: Task, station_m: Vector) -> Promise:
    """Return what (N, 3) stations can promise: first order where it holds in a trial of the task's flights, else its error.

    The trial adds drawn errors to the readings of every apex and takes the root mean square error of the solved heights, several
    times over, so that its own noise is near a hundredth.
    """
    first_m = task.sigma_m(station_m)
    error_m = _errors(task, station_m)
    solved = np.isfinite(error_m)
    tried_m = float(np.sqrt(np.mean(error_m[solved] ** 2))) if solved.any() else np.inf
    unsolved = float(1 - solved.mean())
    return Promise(first_m if abs(tried_m / first_m - 1) <= _HOLDS else tried_m, first_m, unsolved)


def _errors(task: Task, station_m: Vector, times: int = 8) -> Vector:
    apex_m = np.tile(task.apex_m, (times, 1))
    azimuth, elevation = angles(apex_m[:, None, :] - station_m)
    draw = np.random.default_rng(_SEED)
    sigma_a, sigma_e = task.readings.sigma_azimuth_rad, task.readings.sigma_elevation_rad
    read_e = elevation + draw.normal(0, sigma_e, elevation.shape)
    read_a = np.full_like(azimuth, np.nan) if sigma_a is None else azimuth + draw.normal(0, sigma_a, azimuth.shape)
    fixes = fix_many(read_a, read_e, station_m, sigma_a or 1.0, sigma_e, prior=task.prior)
    return np.asarray(fixes.position_m[:, 2] - apex_m[:, 2])
