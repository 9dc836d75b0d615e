"""The noise of a sensor at rest, by the overlapping Allan deviation."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.errors import CalibrationError
from apexfix.model import Vector

_FLICKER: Final = float(np.sqrt(2 * np.log(2) / np.pi))  # 0.664: plateau of the Allan deviation over the bias instability
_LEAST_S: Final = 15.0
_RISING: Final = 4  # averaging times beyond the lowest one, an octave, before it is believed to be the lowest
_AVERAGES_LEFT: Final = 9  # an averaging time that fits fewer times into the recording is not shown


@dataclass(frozen=True, slots=True)
class Noise:
    """What a still recording says of one axis. Units are those of the samples."""

    tau_s: Vector  # (M,) averaging times, about four in an octave
    deviation: Vector  # (M,)
    white: float  # per root hertz: deviation at one second of the slope -1/2
    instability: float | None  # of the bias: the lowest deviation over 0.664; None where it still falls at the longest time


def allan_deviation(samples: Vector, factors: NDArray[np.int64]) -> Vector:
    """Return the overlapping Allan deviation of (N,) evenly spaced means, for averages over (M,) numbers of samples.

    Raises
    ------
    CalibrationError
        A factor is below 1 or leaves no pair of averages.

    Notes
    -----
    IEEE Std 952, annex C, and NIST Special Publication 1065, section 5.2.4: from the running sum x,
    sigma^2(m) = mean((x[k+2m] - 2 x[k+m] + x[k])^2) / (2 m^2).
    """
    values = np.asarray(samples, dtype=np.float64)
    if len(factors) and (min(factors) < 1 or 2 * max(factors) > len(values)):
        raise CalibrationError(f"averages over up to {max(factors)} of {len(values)} samples; record for longer")
    running = np.concatenate([[0.0], np.cumsum(values - values.mean())])
    return np.array([_deviation(running, int(m)) for m in factors])


def noise_of(samples: Vector, rate_hz: float) -> Noise:
    """Return the noise of one axis of a still recording.

    Raises
    ------
    CalibrationError
        The recording is shorter than fifteen seconds.
    """
    count = len(samples)
    if count < _LEAST_S * rate_hz:
        raise CalibrationError(f"{count / rate_hz:.0f} s at rest recorded, {_LEAST_S:.0f} s or more are needed")
    factors = np.unique(np.round(2.0 ** np.arange(0, np.log2(count / _AVERAGES_LEFT), 0.25)).astype(np.int64))
    tau, deviation = factors / rate_hz, allan_deviation(samples, factors)
    lowest = int(np.argmin(deviation))
    white_s = (tau > 0.1) & (tau <= max(1.0, 0.1 * tau[lowest]))
    white = float(np.exp(np.mean(np.log(deviation[white_s] * np.sqrt(tau[white_s])))))
    seen_rising = lowest < len(tau) - _RISING
    return Noise(tau, deviation, white, float(deviation[lowest]) / _FLICKER if seen_rising else None)


def _deviation(running: Vector, m: int) -> float:
    second = running[2 * m :] - 2 * running[m:-m] + running[: -2 * m]
    return float(np.sqrt(np.mean(second**2) / 2) / m)
