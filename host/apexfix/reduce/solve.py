"""Readings of many flights to positions with the full weights: every source, and a drift prior where nothing else helps."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.model import Vector
from apexfix.reduce.descent import MOST_STEPS
from apexfix.reduce.interval import HeightIntervals, height_intervals
from apexfix.reduce.lean import Lean, lean_fix
from apexfix.reduce.least_squares import Fixes, curvature_per_m, fix_many, sightlines
from apexfix.reduce.options import Options
from apexfix.reduce.sightline import Mask, Sightlines, linearise, misclosure
from apexfix.reduce.trouble import Trouble
from apexfix.reduce.uncertainty import Sigmas, in_quadrature, mean_fall_rad, reading_sigmas

_ROUNDS: Final = 2  # the weights depend on the range; after two looks the height no longer moves by a hundredth of its sigma
_LEAST_START_RAD: Final = 0.02  # a start may be wrong by a degree, not infinite
_SOMEWHERE_M: Final = np.array([0.0, 0.0, 150.0])  # stands for an unknown apex where only the size of a survey error is asked


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings of F flights from the same N stations; NaN where there is none."""

    stations: tuple[str, ...]
    station_m: Vector  # (N, 3)
    azimuth_rad: Vector  # (F, N)
    elevation_rad: Vector  # (F, N)
    stated: Sigmas

    def take(self, flights: NDArray[np.intp]) -> "Batch":
        """Return some of the flights, each as often as it is named."""
        stated = Sigmas(*(getattr(self.stated, part.name)[flights] for part in fields(Sigmas)))
        return Batch(self.stations, self.station_m, self.azimuth_rad[flights], self.elevation_rad[flights], stated)

    def keep(self, kept: Mask) -> "Batch":
        """Return the flights without the readings that an (F, N, 2) mask leaves out."""
        azimuth = np.where(kept[..., 0], self.azimuth_rad, np.nan)
        elevation = np.where(kept[..., 1], self.elevation_rad, np.nan)
        return Batch(self.stations, self.station_m, azimuth, elevation, self.stated)

    @property
    def present(self) -> Mask:
        """(F, N, 2)"""
        return np.stack([np.isfinite(self.azimuth_rad), np.isfinite(self.elevation_rad)], axis=-1)


@dataclass(frozen=True, slots=True)
class Solution:
    """Positions of F flights and what they rest on."""

    batch: Batch
    fixes: Fixes
    parts: Mapping[str, Vector]  # source -> (F, N, 2) sigma of each reading, radians
    sigma_rad: Vector  # (F, N, 2)
    lines: Sightlines
    lean: Lean | None  # what was believed about the drift, where that was needed

    def take(self, flights: NDArray[np.intp]) -> "Solution":
        """Return some of the flights."""
        parts = {name: part[flights] for name, part in self.parts.items()}
        lines, sigma = self.lines.take(flights), self.sigma_rad[flights]
        return Solution(self.batch.take(flights), self.fixes.take(flights), parts, sigma, lines, self.lean)

    def whitened(self) -> tuple[Vector, Vector]:
        """Return (F, 2 N) residuals over sigma and their (F, 2 N, 3) Jacobian; zeros where missing or unsolved."""
        return whitened(self.fixes, self.lines)

    def intervals(self) -> HeightIntervals:
        """Return the 95 % intervals of the heights, NaN where unsolved."""
        solved = np.flatnonzero(self.fixes.solved)
        own = self.take(solved)
        some = height_intervals(own.fixes.position_m, own.fixes.covariance_m2, own.lines, own.lean)
        count = len(self.fixes.position_m)
        low, high = np.full(count, np.nan), np.full(count, np.nan)
        first, closed = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
        low[solved], high[solved], first[solved], closed[solved] = some.low_m, some.high_m, some.first_order, some.closed
        return HeightIntervals(low, high, first, closed)


def solve(batch: Batch, options: Options, *, leaning: bool = False, most_steps: int = MOST_STEPS) -> Solution:
    """Return the maximum-likelihood positions of all flights of a batch.

    ``leaning`` uses what is believed about the drift; only flights that cannot be solved without it should.
    """
    curvature = curvature_per_m() if options.curvature else 0.0
    parts: dict[str, Vector] = {}
    at = np.broadcast_to(_SOMEWHERE_M, (len(batch.azimuth_rad), 3))
    for _ in range(_ROUNDS + 1):
        parts = reading_sigmas(at, batch.station_m, batch.stated, options.sigma_drift_m_s)
        sigma = in_quadrature(parts)
        elevation = batch.elevation_rad + mean_fall_rad(at, batch.station_m, batch.stated.sigma_time_s)
        lines = _lines(batch, elevation, sigma, curvature)
        if leaning:
            fixes = _leaning(lines, options.drift)
        else:
            fixes = fix_many(
                batch.azimuth_rad, elevation, batch.station_m, sigma[..., 0], sigma[..., 1],
                curvature_per_m=curvature, most_steps=most_steps,
            )  # fmt: skip
        at = np.where(fixes.solved[:, None], fixes.position_m, _SOMEWHERE_M)
    return Solution(batch, fixes, parts, sigma, lines, options.drift if leaning else None)


def _leaning(lines: Sightlines, drift: Lean) -> Fixes:
    """Return fixes of flights that lean on what is believed about the drift, one by one."""
    count, stations = lines.sine.shape
    fixes = Fixes(
        position_m=np.full((count, 3), np.nan),
        covariance_m2=np.full((count, 3, 3), np.nan),
        residual_rad=np.full((count, stations, 2), np.nan),
        chi2=np.full(count, np.nan),
        prior_share=np.full(count, np.nan),
        trouble=np.full(count, Trouble.DIVERGED, dtype=np.int8),
    )
    for k in range(count):
        own = lines.take(np.array([k]))
        found = lean_fix(own, drift, _over_the_pad(own))
        if found is not None:
            fixes.position_m[k], fixes.covariance_m2[k], fixes.chi2[k] = found.position_m, found.covariance_m2, found.chi2
            fixes.prior_share[k], fixes.trouble[k] = found.prior_share, Trouble.NONE
            fixes.residual_rad[k] = misclosure(found.position_m[:, None], own)[0]
    return fixes


def _over_the_pad(lines: Sightlines) -> Vector:
    """Return the apex that one flight would have had without drift, on average over the stations."""
    seen = lines.has_elevation[0]
    steep = np.clip(lines.elevation_rad[0, seen], _LEAST_START_RAD, np.pi / 2 - _LEAST_START_RAD)
    heights = lines.up_m[0, seen] + np.hypot(lines.east_m[0, seen], lines.north_m[0, seen]) * np.tan(steep)
    return np.array([0.0, 0.0, float(np.mean(heights)) if seen.any() else _SOMEWHERE_M[2]])


def whitened(fixes: Fixes, lines: Sightlines) -> tuple[Vector, Vector]:
    """Return residuals over sigma, (F, 2 N), and their Jacobian, (F, 2 N, 3), of readings that need not be those of the fixes."""
    solved = fixes.solved
    seen = linearise(np.where(solved[:, None], fixes.position_m, _SOMEWHERE_M).T, lines)
    residual = np.stack([seen.across, seen.along], axis=-1).reshape(len(solved), -1)
    gradient = np.stack([np.stack(seen.across_gradient, axis=-1), np.stack(seen.along_gradient, axis=-1)], axis=-2)
    jacobian = gradient.reshape(len(solved), -1, 3)
    return np.where(solved[:, None], residual, 0.0), np.where(solved[:, None, None], jacobian, 0.0)


def sightlines_of(batch: Batch, solution: Solution) -> Sightlines:
    """Return all readings of a batch with the sigmas that a solution of some of them arrived at."""
    at = np.where(solution.fixes.solved[:, None], solution.fixes.position_m, _SOMEWHERE_M)
    fall = mean_fall_rad(at, batch.station_m, batch.stated.sigma_time_s)
    return _lines(batch, batch.elevation_rad + fall, solution.sigma_rad, solution.lines.curvature_per_m)


def _lines(batch: Batch, elevation_rad: Vector, sigma_rad: Vector, curvature: float) -> Sightlines:
    place = np.broadcast_to(batch.station_m, (*elevation_rad.shape, 3))
    return sightlines(batch.azimuth_rad, elevation_rad, place, sigma_rad[..., 0], sigma_rad[..., 1], curvature)
