"""Raw samples, and the stretches of them in which a unit was held still."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.calibrate.imu import Counts, ImuCalibration
from apexfix.errors import CalibrationError
from apexfix.model import Stamps, Vector
from apexfix.records import Window
from apexfix.units import SECOND_US, US

_BLOCK_US: Final = SECOND_US // 4
_LONGEST_GAP_US: Final = SECOND_US // 4


@dataclass(frozen=True, slots=True)
class Samples:
    """What a unit's sensor said around a press, by its nominal sensitivities, in sensor axes."""

    t_us: Stamps  # (N,) from the press
    force_g: Vector  # (N, 3)
    rate_dps: Vector  # (N, 3)
    temperature_celsius: float | None


@dataclass(frozen=True, slots=True)
class Limits:
    """What still passes for still. Block: a quarter of a second."""

    least_s: float
    rate_dps: float  # standard deviation inside a block, of the worst axis
    force_g: float  # the same
    drift_g: float  # between the means of any two blocks
    drift_dps: float  # the same
    reach_s: float  # how far from the press a stretch may reach


# The noise of the cheapest part behind a 44 Hz filter is 0.15 deg/s (measured) and 4 mg; a hand shakes several degrees a second.
REST: Final = Limits(least_s=2.0, rate_dps=0.6, force_g=0.02, drift_g=0.008, drift_dps=1.0, reach_s=math.inf)
# A tube aimed from a support: the eye corrects slowly, right up to the press, and only the second before and after it counts.
AIM: Final = Limits(least_s=0.9, rate_dps=3.0, force_g=0.05, drift_g=0.008, drift_dps=10.0, reach_s=1.0)


@dataclass(frozen=True, slots=True)
class Rest:
    """The mean of a still stretch."""

    force_g: Vector  # (3,) by the nominal sensitivity, sensor axes
    rate_dps: Vector  # (3,)
    sigma_force_g: float  # of each component of the mean, from the scatter of its blocks
    seconds: float
    temperature_celsius: float | None


def samples_of(windows: Sequence[Window], nominal: ImuCalibration) -> Samples:
    """Return the samples of one press's windows.

    Raises
    ------
    CalibrationError
        There is none.
    """
    pieces = sorted({window.first: window for window in windows}.values(), key=lambda window: window.first)
    if not pieces:
        raise CalibrationError("no samples came with the press; pull the unit again")
    return samples_from(
        np.concatenate([piece.t_us for piece in pieces]).astype(np.int64),
        (np.concatenate([piece.accel_counts for piece in pieces]), np.concatenate([piece.gyro_counts for piece in pieces])),
        nominal,
        pieces[0].temperature_celsius,
    )


def samples_from(
    t_us: Stamps, counts: tuple[Counts, Counts], nominal: ImuCalibration, temperature_celsius: float | None
) -> Samples:
    """Return raw counts (accelerometer, gyroscope) as samples."""
    force_g, rate_dps = counts[0] / nominal.accel_lsb_per_g, counts[1] / nominal.gyro_lsb_per_dps
    return Samples(t_us, force_g, rate_dps, temperature_celsius)


def rest_around(samples: Samples, at_us: int, limits: Limits = REST) -> Rest:
    """Return the mean of the still stretch that holds an instant.

    Raises
    ------
    CalibrationError
        The unit moved there; says what was seen and what is expected.
    """
    means, noise = _blocks(samples)
    first = int(np.clip(np.searchsorted(means.t_us, at_us, side="right") - 1, 0, len(means.t_us) - 1))
    _demand_quiet(noise, first, limits)
    low, high = _stretch(means, noise, first, limits)
    seconds = (high - low) * _BLOCK_US * US
    if seconds < limits.least_s:
        raise CalibrationError(
            f"the unit was still for {seconds:.1f} s around the press, {limits.least_s:.1f} s are needed; "
            "rest it against something solid and wait before you press"
        )
    force, rate = means.force_g[low:high], means.rate_dps[low:high]
    sigma = float(np.sqrt(np.mean(np.var(force, axis=0, ddof=1)) / len(force)))
    return Rest(force.mean(axis=0), rate.mean(axis=0), sigma, seconds, samples.temperature_celsius)


def rests_in(samples: Samples, limits: Limits = REST) -> tuple[Rest, ...]:
    """Return every still stretch of a stream, in time; stretches that are too short are passed over."""
    means, noise = _blocks(samples)
    found: list[Rest] = []
    at = 0
    while at < len(means.t_us):
        try:
            rest = rest_around(samples, int(means.t_us[at]), limits)
        except CalibrationError:
            at += 1
            continue
        found.append(rest)
        at = _stretch(means, noise, at, limits)[1]
    return tuple(found)


def _blocks(samples: Samples) -> tuple[Samples, Vector]:
    """Return the means of quarter-seconds, and (M, 2) the standard deviations inside them: rate and force of the worst axis."""
    if np.any(np.diff(samples.t_us) <= 0):
        raise CalibrationError("the samples around the press are not in time; what was pulled is damaged, take this step again")
    number = (samples.t_us - samples.t_us[0]) // _BLOCK_US
    kept = [number == n for n in range(int(number[-1]) + 1)]
    full = max(int(mask.sum()) for mask in kept)
    if full < 5:
        raise CalibrationError(f"{len(samples.t_us)} samples in {len(kept) * _BLOCK_US * US:.1f} s, too few to judge stillness")
    kept = [mask for mask in kept if mask.sum() >= 0.7 * full]
    force = np.array([samples.force_g[mask].mean(axis=0) for mask in kept])
    rate = np.array([samples.rate_dps[mask].mean(axis=0) for mask in kept])
    noise = [[samples.rate_dps[mask].std(axis=0).max(), samples.force_g[mask].std(axis=0).max()] for mask in kept]
    t_us = np.array([samples.t_us[mask][0] for mask in kept], dtype=np.int64)
    return Samples(t_us, force, rate, samples.temperature_celsius), np.array(noise)


def _demand_quiet(noise: Vector, at: int, limits: Limits) -> None:
    rate_dps, force_g = noise[at]
    if rate_dps > limits.rate_dps or force_g > limits.force_g:
        raise CalibrationError(
            f"the unit moved at the press: {rate_dps:.1f} deg/s and {force_g * 1000:.0f} mg seen, at most "
            f"{limits.rate_dps:.1f} deg/s and {limits.force_g * 1000:.0f} mg expected; rest it on something solid and press again"
        )


def _stretch(means: Samples, noise: Vector, at: int, limits: Limits) -> tuple[int, int]:
    """Return the longest run, within reach, of quiet blocks about one that agree with it and follow each other without a gap."""
    reach = limits.reach_s / (_BLOCK_US * US)

    def belongs(block: int, neighbour: int) -> bool:
        quiet = noise[block, 0] <= limits.rate_dps and noise[block, 1] <= limits.force_g
        near = bool(np.all(np.abs(means.force_g[block] - means.force_g[at]) <= limits.drift_g))
        alike = bool(np.all(np.abs(means.rate_dps[block] - means.rate_dps[at]) <= limits.drift_dps))  # an even turn is no rest
        return bool(quiet) and near and alike and abs(int(means.t_us[block] - means.t_us[neighbour])) <= _BLOCK_US + _LONGEST_GAP_US

    low, high = at, at + 1
    while low > max(at - reach, 0) and belongs(low - 1, low):
        low -= 1
    while high < min(at + reach, len(means.t_us)) and belongs(high, high - 1):
        high += 1
    return low, high
