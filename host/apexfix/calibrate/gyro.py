"""The gyroscope: its offset and what temperature does to it, and its matrix from full turns back onto a mark."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.calibrate.stillness import REST, Limits, Rest, Samples, rest_around, rests_in
from apexfix.errors import CalibrationError
from apexfix.model import Vector
from apexfix.units import DEG, US

# What is believed before any turn: the data sheets' tolerances of scale and cross-axis sensitivity.
PRIOR_SCALE: Final = 0.03
PRIOR_CROSS: Final = 0.02
SIGMA_CLOSURE_DEG: Final = 0.3  # how well a tube comes back onto a mark; common practice with open sights
SIGMA_AXIS_DEG: Final = 0.3  # how well a turn's axis stays where gravity at its ends puts it
_WHOLE: Final = 0.12  # of a turn: more than scale and offset of any part, less than a missed mark
_TILTED_DEG: Final = 3.0
_APART: Final = 0.25  # of the strongest axis: less is no axis of its own
_LEAST_RANGE_C: Final = 3.0
_ROOM_C: Final = 25.0
_SO_TURN: Final = "one of {:.0f} s on the mark before the turn and one after it are needed; rest, turn, rest, press"
_MARGIN_US: Final = 500_000
# A hand begins and ends a turn softly: the offset is taken this long, away from where the unit moves, not over the whole rest.
_STILL_US: Final = 1_500_000


@dataclass(frozen=True, slots=True)
class Turn:
    """Whole turns about an upright axis, from rest to rest."""

    angle_deg: Vector  # (3,) integral of the rate by the nominal sensitivity, the offset at rest taken off, sensor axes
    up_g: Vector  # (3,) mean reading of the accelerometer at both ends, nominal
    turns: int  # positive against the clock, seen from above
    seconds: float


@dataclass(frozen=True, slots=True)
class GyroMatrix:
    """rate = matrix @ (reading - offset), in the axes of the accelerometer's matrix."""

    matrix: Vector  # (3, 3)
    covariance: Vector  # (9, 9) of the rows one after another
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GyroOffset:
    """offset(T) = offset + trend * (T - temperature)."""

    offset_dps: Vector  # (3,) sensor axes, nominal sensitivity
    sigma_dps: Vector  # (3,)
    temperature_celsius: float
    trend_dps_per_celsius: Vector | None  # (3,), None where the temperatures are too near each other
    sigma_trend_dps_per_celsius: Vector | None


def turn_in(samples: Samples, limits: Limits = REST) -> Turn:
    """Return the whole turns that a stream holds between two rests, whatever else the hand did before and after.

    Raises
    ------
    CalibrationError
        There is no rest at both ends, the unit leaned over on the way, or it did not come back to where it began.
    """
    rests = rests_in(samples, limits)
    if len(rests) < 2:
        raise CalibrationError(f"{len(rests)} rests seen, {_SO_TURN.format(limits.least_s)}")
    movements = _movements(samples, rests[-1].rate_dps, 5 * limits.rate_dps)
    if not movements:
        raise CalibrationError(f"no movement seen between rests, {_SO_TURN.format(limits.least_s)}")
    refused: list[CalibrationError] = []
    for first, last in _stretches(movements):
        try:
            return _turn_between(samples, (first, last), limits)
        except CalibrationError as error:
            refused.append(error)
    raise refused[0]


def fit_turns(turns: Sequence[Turn], accel_offset_g: Vector, accel_matrix: Vector) -> GyroMatrix:
    """Return the matrix that makes every turn whole about the upright axis that the calibrated accelerometer shows.

    Raises
    ------
    CalibrationError
        The turns are about one axis only.

    Notes
    -----
    Linear least squares with the data sheets' tolerances as prior. A small wobble of the axis on the way counts only by its square,
    because the unit is upright alike at both ends.
    """
    up = np.array([accel_matrix @ (turn.up_g - accel_offset_g) for turn in turns]).reshape(-1, 3)
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    axes = _axes(up)
    if axes < 2:
        raise CalibrationError(
            f"{len(turns)} turns about {axes} axis seen, two axes are needed and three are better; "
            "turn the unit with the tube level, then with the tube straight up, then lying on its side"
        )
    information: Vector = np.diag(1 / np.where(np.eye(3, dtype=bool), PRIOR_SCALE, PRIOR_CROSS).ravel() ** 2)
    right = information @ np.eye(3).ravel()
    for turn, axis in zip(turns, up, strict=True):
        lever = np.kron(np.eye(3), turn.angle_deg)
        weight = _weight(axis, abs(turn.turns))
        information += lever.T @ weight @ lever
        right += lever.T @ weight @ (360.0 * turn.turns * axis)
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    remark = "turns about two axes only: the third keeps its data-sheet tolerance; turn the unit about that axis, too"
    return GyroMatrix(np.asarray(covariance @ right).reshape(3, 3), covariance, () if axes == 3 else (remark,))


def stated_turn(calibration: Mapping[str, object]) -> tuple[float, float] | None:
    """Return the sigmas of the worst scale and of the cross axes that a calibration states; None where it states no covariance.

    Raises
    ------
    CalibrationError
        The covariance is none.

    Examples
    --------
    >>> stated_turn({"gyro_covariance": (np.diag([4, 1, 1, 1, 4, 1, 1, 1, 9]) * 1e-6).tolist()})
    (0.003, 0.001)
    """
    if calibration.get("gyro_covariance") is None:
        return None
    try:
        variance = np.diag(np.array(calibration["gyro_covariance"], dtype=np.float64).reshape(9, 9)).reshape(3, 3)
    except (TypeError, ValueError):
        variance = np.full((3, 3), -1.0)
    if not np.all(variance > 0):  # of what is no number nothing is
        raise CalibrationError("gyro_covariance is no 9 x 9 matrix with a positive diagonal; calibrate the gyroscope's turns again")
    cross = variance[~np.eye(3, dtype=bool)]
    return float(np.sqrt(np.max(np.diag(variance)))), float(np.sqrt(np.mean(cross)))


def fit_offset(rests: Sequence[Rest]) -> GyroOffset:
    """Return the still offset and its trend from rests at one or several temperatures.

    Raises
    ------
    CalibrationError
        There are none.
    """
    if not rests:
        raise CalibrationError("no rest seen; leave the unit untouched for ten seconds")
    rate = np.array([rest.rate_dps for rest in rests])
    warmth = np.array([_ROOM_C if r.temperature_celsius is None else r.temperature_celsius for r in rests])
    mean = float(warmth.mean())
    known = all(rest.temperature_celsius is not None for rest in rests)
    if len(rests) < 4 or not known or np.ptp(warmth) < _LEAST_RANGE_C:
        spread = rate.std(axis=0, ddof=1) / np.sqrt(len(rests)) if len(rests) > 1 else np.full(3, np.nan)
        return GyroOffset(rate.mean(axis=0), spread, mean, None, None)
    design = np.column_stack([np.ones(len(rests)), warmth - mean])
    (offset, trend), *_ = np.linalg.lstsq(design, rate, rcond=None)
    variance = np.sum((rate - design @ np.array([offset, trend])) ** 2, axis=0) / (len(rests) - 2)
    sigma = np.sqrt(np.outer(np.diag(np.linalg.inv(design.T @ design)), variance))
    return GyroOffset(offset, sigma[0], mean, trend, sigma[1])


def _turn_between(samples: Samples, ends: tuple[int, int], limits: Limits) -> Turn:
    first, last = ends
    try:
        before, after = (rest_around(samples, int(samples.t_us[end]), limits) for end in ends)
    except CalibrationError as error:
        raise CalibrationError(f"no rest at an end of the turn, {_SO_TURN.format(limits.least_s)}") from error
    lean_deg = _angle_deg(before.force_g, after.force_g)
    if lean_deg > _TILTED_DEG:
        raise CalibrationError(
            f"the unit leans {lean_deg:.1f}° otherwise after the turn than before, at most {_TILTED_DEG:.0f}° expected; "
            "turn it on a level board or a stand"
        )
    t_s = samples.t_us[first : last + 1] * US
    share = ((t_s - t_s[0]) / (t_s[-1] - t_s[0]))[:, None]
    still = [_mean_rate_dps(samples, samples.t_us[first] - _STILL_US), _mean_rate_dps(samples, samples.t_us[last])]
    rate = samples.rate_dps[first : last + 1] - (1 - share) * still[0] - share * still[1]
    angle = np.sum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t_s)[:, None], axis=0)
    up = (before.force_g + after.force_g) / 2
    return Turn(angle, up, _whole_turns(angle, up), float(t_s[-1] - t_s[0]))


def _movements(samples: Samples, still_dps: Vector, least_dps: float) -> list[tuple[int, int]]:
    """Return the samples between which the unit moved, half a second inside the stillness at either end."""
    moving = np.flatnonzero(np.linalg.norm(samples.rate_dps - still_dps, axis=1) > least_dps)
    pieces = np.split(moving, np.flatnonzero(np.diff(samples.t_us[moving]) > _STILL_US + 2 * _MARGIN_US) + 1) if moving.size else []
    starts = [np.searchsorted(samples.t_us, samples.t_us[piece[0]] - _MARGIN_US) for piece in pieces]
    ends = [np.searchsorted(samples.t_us, samples.t_us[piece[-1]] + _MARGIN_US) - 1 for piece in pieces]
    return [(int(start), int(end)) for start, end in zip(starts, ends, strict=True)]


def _stretches(movements: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return movements, then runs of two and more of them: a hand may rest on the way. The longest of each kind first."""
    found: list[tuple[int, int]] = []
    for count in range(1, len(movements) + 1):
        runs = [(movements[i][0], movements[i + count - 1][1]) for i in range(len(movements) - count + 1)]
        found += sorted(runs, key=lambda run: run[0] - run[1])
    return found


def _mean_rate_dps(samples: Samples, from_us: int) -> Vector:
    """Return the (3,) mean rate over the time in which a unit is still before or after a turn."""
    return np.asarray(samples.rate_dps[(samples.t_us >= from_us) & (samples.t_us <= from_us + _STILL_US)].mean(axis=0))


def _whole_turns(angle_deg: Vector, up_g: Vector) -> int:
    turned = float(angle_deg @ up_g / np.linalg.norm(up_g)) / 360.0
    whole = round(turned)
    if whole == 0 or abs(turned - whole) > _WHOLE * abs(whole):
        raise CalibrationError(
            f"the unit turned {turned:+z.2f} times, a whole number is needed; turn it once or twice round and stop on the mark"
        )
    return whole


def _axes(up: Vector) -> int:
    """Return how many axes the turns span."""
    if not len(up):
        return 0
    strength = np.linalg.svd(up, compute_uv=False)
    return int(np.sum(strength > _APART * strength[0]))


def _weight(axis: Vector, turns: int) -> Vector:
    along, across = SIGMA_CLOSURE_DEG, 360.0 * turns * SIGMA_AXIS_DEG * DEG
    projector = np.outer(axis, axis)
    return np.asarray(projector / along**2 + (np.eye(3) - projector) / across**2)


def _angle_deg(a: Vector, b: Vector) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))
