"""The flights in a log of heights: where each rises from a quiet pad, how noisy the sensor is there, and which samples are spikes.

Heights here are as indicated. Times in s never fall. Sampling need not be even, but windows count samples of the median step.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, hypot, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d

from apexfix.model import Vector
from apexfix.units import STANDARD_GRAVITY

Flags = NDArray[np.bool_]

# A model leaves its rail at ten metres a second or more; nobody carries one uphill at five.
_RISE_M_S: Final = 5.0
_SMOOTH_S: Final = 1.0
_LEAST_CLIMB_M: Final = 10.0
_STILL_S, _STILL_M = 5.0, 2.5  # landed: no more than this in that time; even a body in free fall about its apex moves 30 m
_QUIET_S: Final = 10.0  # of the pad before the launch
_BEFORE_LAUNCH_S: Final = 0.3  # nearer to the launch the smoothed rise has begun
_LEAST_QUIET: Final = 5  # samples
_SPIKE_WINDOW_S: Final = 2.0  # a spike of less than half of it stands out from the running median
_SPIKE_SIGMAS: Final = 5.0
_AS_BAD: Final = 0.9  # of the worst; samples that are off by this are taken out with it
_LEAST_KEPT: Final = 0.5  # share of the samples; where more looks wrong, it is the noise that is
_LEAST_NOISE_M: Final = 0.02
_MAD: Final = 1.4826  # of a normal law: sigma over median absolute deviation


@dataclass(frozen=True, slots=True)
class Climb:
    """One flight within a log, as numbers of samples."""

    start: int  # the last one on the pad
    end: int  # one past the last before it lies still
    landed: bool
    quiet: slice  # on the pad, before it


@dataclass(frozen=True, slots=True)
class Quiet:
    """What the altimeter says on the pad."""

    level_m: float
    sigma_level_m: float
    noise_m: float  # sigma of one sample
    correlation: float  # between neighbouring samples, 0 to 0.95


def step_s(time_s: Vector) -> float:
    """Return the usual time between samples, 0 where there are none apart."""
    steps = np.diff(time_s)
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0


def climbs(time_s: Vector, height_m: Vector) -> tuple[Climb, ...]:
    """Return the flights in a log, in their order."""
    step = step_s(time_s)
    if step == 0.0:
        return ()
    smooth = median_filter(height_m, size=_odd(_SMOOTH_S / step, 3), mode="nearest")
    return tuple(_climbs(time_s, smooth, step))


def _climbs(time_s: Vector, smooth: Vector, step: float) -> Iterator[Climb]:
    ahead = max(1, round(_SMOOTH_S / step))
    rising = np.zeros(time_s.size, dtype=bool)
    rising[:-ahead] = smooth[ahead:] - smooth[:-ahead] > _RISE_M_S * np.maximum(time_s[ahead:] - time_s[:-ahead], _SMOOTH_S)
    window = 2 * ceil(_STILL_S / 2 / step) + 1
    still = maximum_filter1d(smooth, window) - minimum_filter1d(smooth, window) < _STILL_M
    begin = 0
    while (found := np.flatnonzero(rising[begin:])).size:
        first = begin + int(found[0])
        quiet = _quiet_before(time_s, begin, first)
        level = float(np.median(smooth[quiet])) if quiet.stop > quiet.start else float(smooth[first])
        end, landed = _end(smooth, still, first, level)
        if float(smooth[first:end].max(initial=level)) - level >= _LEAST_CLIMB_M:
            yield Climb(first, end, landed, quiet)
        begin = max(end, first + 1)


def _quiet_before(time_s: Vector, begin: int, first: int) -> slice:
    start = max(begin, int(np.searchsorted(time_s, time_s[first] - _QUIET_S)))
    stop = int(np.searchsorted(time_s, time_s[first] - _BEFORE_LAUNCH_S, side="right"))
    return slice(start, max(min(stop, first + 1), start))


def _end(smooth: Vector, still: Flags, first: int, level: float) -> tuple[int, bool]:
    """Return one past the last sample in the air, and whether the log shows it on the ground again."""
    flown = np.maximum.accumulate(smooth[first:]) - level >= _LEAST_CLIMB_M
    resting = np.flatnonzero(still[first:] & flown)
    if resting.size:
        return first + int(resting[0]) + 1, True
    if flown.any():
        return smooth.size, False
    calm = np.flatnonzero(still[first:])  # a bump that came to nothing
    return first + (int(calm[0]) + 1 if calm.size else still[first:].size), False


def quiet_pad(height_m: Vector) -> Quiet | None:
    """Return level and noise from the (N,) samples of a quiet pad, None where there are fewer than five."""
    if height_m.size < _LEAST_QUIET:
        return None
    level = float(np.median(height_m))
    rest = height_m - level
    steps = np.diff(np.unique(height_m))
    resolution = float(steps.min()) / sqrt(12) if steps.size else 0.0
    noise = max(_MAD * float(np.median(np.abs(rest))), resolution, _LEAST_NOISE_M)
    small = rest[np.abs(rest) < _SPIKE_SIGMAS * noise]
    square = float(small @ small)
    correlation = float(np.clip(small[1:] @ small[:-1] / square, 0.0, 0.95)) if square > 0 else 0.0
    alone = height_m.size * (1 - correlation) / (1 + correlation)
    # the median of normal values has pi/2 times the variance of their mean; the steps of a coarse display do not average out
    return Quiet(level, hypot(noise * sqrt(np.pi / 2 / max(alone, 1.0)), resolution), noise, correlation)


def spikes(time_s: Vector, height_m: Vector, noise_m: float) -> Flags:
    """Return which samples a pressure surge made, as an ejection charge does, and nothing that flies could.

    Notes
    -----
    A sample further from the running median of two seconds than five sigmas and a third more than what the curve of an apex makes
    there (the identifier of Hampel, *J. Am. Stat. Assoc.* 69, 1974). On a rising or falling stretch the median is the middle sample
    itself, however steep. The worst are taken out first and the others judged without them: a surge makes its neighbours look
    wrong. Smaller surges are left to the robust curve of the apex.
    """
    step = step_s(time_s)
    size = _odd(_SPIKE_WINDOW_S / step, 3) if step else 3
    kept = np.arange(time_s.size)
    while kept.size > _LEAST_KEPT * time_s.size:
        away = np.abs(height_m[kept] - median_filter(height_m[kept], size=size, mode="nearest"))
        beyond = away / (_SPIKE_SIGMAS * noise_m + 1.3 * _bend_m(time_s[kept], size))
        worst = float(beyond.max())
        if worst <= 1.0:
            break
        kept = kept[beyond <= max(1.0, _AS_BAD * worst)]
    masked = np.ones(time_s.size, dtype=bool)
    masked[kept] = False
    return masked


def _bend_m(time_s: Vector, size: int) -> Vector:
    """Return how far the median of a window lies below the top of a curve in it; half as much again as in free fall."""
    place, half = np.arange(time_s.size), size // 2
    span_s = time_s[np.minimum(place + half, place[-1])] - time_s[np.maximum(place - half, 0)]
    return np.asarray(1.5 * STANDARD_GRAVITY / 2 * ((span_s + span_s / max(size - 1, 1)) / 4) ** 2)


def _odd(samples: float, least: int) -> int:
    return max(least, 2 * (round(samples) // 2) + 1)
