"""The apex of one climb between and among its samples, with what noise, sampling and the pad's level leave uncertain.

Near its apex a model coasts: a parabola whose curvature is that of gravity, a little more by drag. At some moment a recovery device
opens, and from there it sinks along a line. That moment is unknown and may come before the apex, after it or beyond the window: all
of them are tried, and each counts as much as it explains the samples.
"""

from dataclasses import dataclass
from math import hypot, sqrt
from typing import Final

import numpy as np

from apexfix.compare.climbs import Climb, Flags, Quiet, spikes, step_s
from apexfix.model import Vector
from apexfix.units import STANDARD_GRAVITY

_HALF_S: Final = 1.5  # half a window
_LEAST_FITTED: Final = 5  # samples; with fewer the highest one must do
_CURVATURE: Final = (-1.05 * STANDARD_GRAVITY / 2, 0.1 * STANDARD_GRAVITY / 2)  # of the coast and its sigma: drag and warm air
_FREE_M_S: Final = 100.0  # sigma of the speed amid the window and of the descent: they are free, but never undetermined
_OPENINGS: Final = 31  # moments that are tried
_SIGMA_CURVE_M: Final = 0.07  # a canopy that is half open brakes along no line; how far simulated flights are off by that
_HUBER: Final = 2.0  # sigmas beyond which a sample counts by its distance, no longer by its square
_ROUNDS: Final = 8


@dataclass(frozen=True, slots=True)
class Top:
    """The highest point of a climb, as indicated, above the pad."""

    time_s: float
    height_m: float
    budget_m: dict[str, float]  # source -> sigma
    loss_bound_m: float  # no more than this can the apex lie above the highest sample that is left, in free fall
    fitted: int  # samples that the curve goes through; 0: from the highest sample alone


@dataclass(frozen=True, slots=True)
class FlightTrace:
    """One flight of a log: its samples above the pad as indicated, which are spikes, and its top."""

    time_s: Vector  # (N,)
    height_m: Vector  # (N,)
    spike: Flags  # (N,)
    launch_s: float
    top: Top
    quiet: Quiet


def flight_trace(time_s: Vector, height_m: Vector, climb: Climb, quiet: Quiet) -> FlightTrace:
    """Return what a log says about one flight, from the quiet pad to the ground."""
    shown = slice(min(climb.quiet.start, climb.start), climb.end)
    time, height = time_s[shown], height_m[shown] - quiet.level_m
    spike = spikes(time, height, quiet.noise_m)
    return FlightTrace(time, height, spike, float(time_s[climb.start]), _top(time[~spike], height[~spike], quiet), quiet)


def _top(time_s: Vector, height_m: Vector, quiet: Quiet) -> Top:
    """Return the top of the samples that are left."""
    highest = _highest(time_s, height_m)
    centre, gap_s = float(time_s[highest]), _gap(time_s, highest)
    near = np.abs(time_s - centre) <= max(_HALF_S, 1.5 * gap_s)
    on_both_sides = time_s[near][0] < centre < time_s[near][-1]
    if np.unique(time_s[near]).size < _LEAST_FITTED or not on_both_sides:
        return _from_highest(centre, float(height_m[highest]), quiet, gap_s)
    time, height, sigma, shape = _coasted(time_s[near] - centre, height_m[near], quiet)
    budget = {"sensor noise": sigma, "shape of the apex": hypot(shape, _SIGMA_CURVE_M), "level of the pad": quiet.sigma_level_m}
    return Top(centre + time, height, budget, STANDARD_GRAVITY * gap_s**2 / 8, int(near.sum()))


def _highest(time_s: Vector, height_m: Vector) -> int:
    """Return the highest sample of a running mean over half a second: the highest of all is the noisiest one."""
    step = step_s(time_s)
    size = round(0.5 / step) if step else 1
    if size < 3 or height_m.size < 3 * size:
        return int(np.argmax(height_m))
    mean = np.convolve(height_m, np.ones(size) / size, mode="valid")
    return int(np.argmax(mean)) + size // 2


def _gap(time_s: Vector, highest: int) -> float:
    """Return the longest time without a sample next to the highest one."""
    return float(np.diff(time_s[max(highest - 1, 0) : highest + 2]).max(initial=0.0))


def _from_highest(time_s: float, height_m: float, quiet: Quiet, gap_s: float) -> Top:
    """Return the top from the highest sample: in free fall it is missed by g t^2 / 2, t even within half a step of it.

    The mean of that is g step^2 / 24, its sigma g step^2 / (12 sqrt 5), its bound g step^2 / 8.
    """
    missed = STANDARD_GRAVITY * gap_s**2
    budget = {"sensor noise": quiet.noise_m, "sampling": missed / (12 * sqrt(5)), "level of the pad": quiet.sigma_level_m}
    return Top(time_s, height_m + missed / 24, budget, missed / 8, 0)


def _coasted(time_s: Vector, height_m: Vector, quiet: Quiet) -> tuple[float, float, float, float]:
    """Return time and height of the top, the sigma of the height from noise, and from not knowing when the device opened."""
    openings = np.linspace(time_s[0] / 2, time_s[-1], _OPENINGS)  # the last one: not within the window
    tried = np.array([_with_opening(time_s, height_m, quiet, float(opening)) for opening in openings])
    cost = tried[:, 3]
    # all moments together weigh as much as none of them
    prior = np.where(np.arange(_OPENINGS) < _OPENINGS - 1, 1 / (_OPENINGS - 1), 1.0)
    weight = prior * np.exp(-(cost - cost.min()) / 2)
    weight /= weight.sum()
    time, height = float(weight @ tried[:, 0]), float(weight @ tried[:, 1])
    return time, height, sqrt(float(weight @ tried[:, 2])), sqrt(float(weight @ (tried[:, 1] - height) ** 2))


def _with_opening(time_s: Vector, height_m: Vector, quiet: Quiet, opening_s: float) -> tuple[float, float, float, float]:
    """Return time, height and variance of the top for one moment of opening, and minus twice the logarithm of its likelihood."""
    coast = np.minimum(time_s, opening_s)
    design = np.stack([np.ones_like(time_s), coast, coast**2, np.maximum(time_s - opening_s, 0.0)], axis=1)
    # neighbours that err together say less; the curvature is one more reading, speed and descent are almost free ones
    sigma = quiet.noise_m * sqrt((1 + quiet.correlation) / (1 - quiet.correlation))
    weak = np.array([[0.0, 0.0, 1 / _CURVATURE[1], 0.0], [0.0, 1 / _FREE_M_S, 0.0, 0.0], [0.0, 0.0, 0.0, 1 / _FREE_M_S]])
    rows = np.vstack([design / sigma, weak])
    read = np.concatenate([height_m / sigma, [_CURVATURE[0] / _CURVATURE[1], 0.0, 0.0]])
    root = np.ones_like(read)
    for _ in range(_ROUNDS):
        found = np.linalg.lstsq(rows * root[:, None], read * root, rcond=None)[0]
        rest = np.abs(read - rows @ found)
        root[: time_s.size] = np.sqrt(np.minimum(1.0, _HUBER / np.maximum(rest[: time_s.size], 1e-9)))
    level, slope, square, _ = found
    at = min(-slope / (2 * square), opening_s) if square < 0 else opening_s
    at = float(np.clip(at, time_s[0], time_s[-1]))
    gain = np.array([1.0, at, at**2, 0.0])
    curvature = (rows * root[:, None]).T @ (rows * root[:, None])
    cost = float(np.where(rest <= _HUBER, rest**2, 2 * _HUBER * rest - _HUBER**2).sum() + np.linalg.slogdet(curvature)[1])
    return at, float(level + slope * at + square * at**2), float(gain @ np.linalg.solve(curvature, gain)), cost
