"""An observer with a sighting unit: where the tube points all day, and when which button is pressed.

Pointing is described by four angles: facing (azimuth of the body), pitch (up, beyond 90 degrees when leaning back), cross (to the
left, across the plane of facing and pitch) and roll. So nothing is singular when a model passes overhead. The figures of human
behaviour are common practice and guesses of plausible size, not measurements.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import bilinear, lfilter
from scipy.spatial.transform import Rotation

from apexfix.sim.imu import SAMPLE_HZ
from apexfix.sim.truth import Trajectory
from apexfix.units import DEG

Vector = NDArray[np.float64]

JITTER_RAD: Final = 0.3 * DEG
JITTER_TIME_S: Final = 0.5
ROLL_RAD: Final = 3.0 * DEG
REACTION_S: Final = 0.3  # of the mark about the apex, one sigma; and the lag at lift-off
_PURSUIT_RAD_S: Final = 8.0  # natural frequency of hand and eye following a target
_PURSUIT_DAMPING: Final = 0.9
_TAKE_UP_S: Final = 22.0  # before lift-off
_OPENING_S: Final = 14.0
_FOLLOW_S: Final = 6.0  # after the apex
_CLOSING_S: Final = 13.0
_PUT_DOWN_S: Final = 16.0
SPAN_S: Final = (30.0, 24.0)  # of one flight's work: before lift-off, after the apex


@dataclass(frozen=True, slots=True)
class Watch:
    """One flight as one observer meets it; times in seconds on the day's axis."""

    flight: int
    lift_off_s: float
    trajectory: Trajectory
    overhead: bool = False  # leans back instead of turning round
    missed: bool = False  # never presses MARK
    double: bool = False  # presses MARK a second time
    held: bool = False  # holds the closing REFERENCE long enough to skip a flight number

    @property
    def apex_s(self) -> float:
        """Time of the apex on the day's axis."""
        return self.lift_off_s + self.trajectory.apex_s


@dataclass(frozen=True, slots=True)
class Press:
    """A button going down, and which flight it truly belongs to."""

    time_s: float
    kind: str  # "mark", "reference"
    held_s: float
    flight: int
    mishap: str = ""  # "double", "held"


@dataclass(frozen=True, slots=True)
class Pose:
    """Angles of the tube, (N,) each or single."""

    facing_rad: Vector
    pitch_rad: Vector
    cross_rad: Vector


def observe(
    rng: np.random.Generator, station_m: Vector, watches: tuple[Watch, ...], count: int
) -> tuple[Rotation, tuple[Press, ...]]:
    """Return the orientation of the tube (enu from tube axes, ``count`` samples at SAMPLE_HZ from time 0) and the presses."""
    rest = np.array([rng.uniform(0, 2 * np.pi), rng.uniform(2, 8) * DEG, 0.0])
    angles = np.tile(rest[:, None], (1, count))
    held = np.zeros(count)
    presses: list[Press] = []
    for watch in watches:
        first = int((watch.lift_off_s - SPAN_S[0]) * SAMPLE_HZ)
        span = slice(first, int((watch.apex_s + SPAN_S[1]) * SAMPLE_HZ))
        time_s = np.arange(span.start, span.stop) / SAMPLE_HZ
        angles[:, span], held[span] = _work(station_m, watch, time_s, rest)
        presses.extend(_presses(rng, watch))
    roll = 2.0 * DEG + held * _wander(rng, count, 4.0) * ROLL_RAD
    angles[1] += held * _wander(rng, count, JITTER_TIME_S) * JITTER_RAD
    angles[2] += held * _wander(rng, count, JITTER_TIME_S) * JITTER_RAD
    return orientation(Pose(angles[0], angles[1], angles[2]), roll), tuple(presses)


def orientation(pose: Pose, roll_rad: Vector) -> Rotation:
    """Return enu_from_tube; the tube's axes are forward, left and up as for the unit's body."""
    angles = np.column_stack([np.pi / 2 - pose.facing_rad, -pose.pitch_rad, pose.cross_rad])
    return Rotation.from_euler("ZYZ", angles) * Rotation.from_rotvec(np.outer(roll_rad, [1.0, 0.0, 0.0]))


def _work(station_m: Vector, watch: Watch, time_s: Vector, rest: Vector) -> tuple[Vector, Vector]:
    """Return the (3, N) angles through one flight and how far the unit is in the hands, 0 to 1 (N,)."""
    pad = aim(-station_m[None], None, None)
    pad_angles = np.array([pad.facing_rad[0], pad.pitch_rad[0], pad.cross_rad[0]])
    late_s = REACTION_S * np.exp(-np.maximum(time_s - watch.lift_off_s, 0.0) / 0.8)
    seen_s = np.minimum(time_s - late_s, watch.apex_s + _FOLLOW_S + 4.0) - watch.lift_off_s
    seen = aim(watch.trajectory.position_m(seen_s) - station_m, float(pad_angles[0]), watch.overhead)
    followed = np.array([_pursue(a) for a in (seen.facing_rad, seen.pitch_rad, seen.cross_rad)])
    lowered = _ramp(time_s, watch.apex_s + _FOLLOW_S, 4.0)
    held = _ramp(time_s, watch.lift_off_s - _TAKE_UP_S, 3.0) * (1 - _ramp(time_s, watch.apex_s + _PUT_DOWN_S, 3.0))
    working = followed * (1 - lowered) + pad_angles[:, None] * lowered
    near_rest = rest.copy()
    near_rest[0] = pad_angles[0] + _wrapped(rest[0] - pad_angles[0])
    angles = working * held + near_rest[:, None] * (1 - held)
    return angles, held


def aim(sight_m: Vector, facing_rad: float | None, overhead: bool | None) -> Pose:
    """Return the pose that looks along (N, 3) vectors; ``overhead`` keeps facing and leans back, else the body turns along."""
    bearing = np.arctan2(sight_m[:, 0], sight_m[:, 1])
    level = np.hypot(sight_m[:, 0], sight_m[:, 1])
    if facing_rad is None:
        return Pose(bearing, np.arctan2(sight_m[:, 2], level), np.zeros(len(level)))
    if not overhead:
        return Pose(facing_rad + _wrapped(bearing - facing_rad), np.arctan2(sight_m[:, 2], level), np.zeros(len(level)))
    ahead = sight_m[:, 0] * np.sin(facing_rad) + sight_m[:, 1] * np.cos(facing_rad)
    left = -sight_m[:, 0] * np.cos(facing_rad) + sight_m[:, 1] * np.sin(facing_rad)
    cross = np.arctan2(left, np.hypot(ahead, sight_m[:, 2]))
    return Pose(np.full(len(level), facing_rad), np.arctan2(sight_m[:, 2], ahead), cross)


def _presses(rng: np.random.Generator, watch: Watch) -> list[Press]:
    mark_s = watch.apex_s + rng.normal(0, REACTION_S)
    short = [float(value) for value in rng.uniform(0.12, 0.25, 4)]
    again_s = mark_s + rng.uniform(0.6, 1.8)
    presses = [Press(watch.lift_off_s - _OPENING_S + rng.normal(0, 1.0), "reference", short[0], watch.flight)]
    if not watch.missed:
        presses.append(Press(mark_s, "mark", short[1], watch.flight))
    if watch.double:
        presses.append(Press(again_s, "mark", short[2], watch.flight, "double"))
    closing_s = watch.apex_s + _CLOSING_S + rng.normal(0, 0.7)
    presses.append(Press(closing_s, "reference", 1.75 if watch.held else short[3], watch.flight, "held" if watch.held else ""))
    return presses


def edges(rng: np.random.Generator, press: Press, pin: int) -> list[tuple[float, int, int]]:
    """Return (time_s, pin, level) of a press to ground with its contact bounce, a few milliseconds at either end."""
    found: list[tuple[float, int, int]] = []
    for start_s, level in ((press.time_s, 0), (press.time_s + press.held_s, 1)):
        bounces = 2 * int(rng.integers(0, 4))
        later = np.sort(rng.uniform(0.0002, 0.004, bounces))
        for i, after_s in enumerate([0.0, *later]):
            found.append((start_s + float(after_s), pin, level if i % 2 == 0 else 1 - level))
    return found


def _pursue(target: Vector) -> Vector:
    """Follow a target as a second-order system that keeps up with steady motion."""
    w, z = _PURSUIT_RAD_S, _PURSUIT_DAMPING
    b, a = bilinear([2 * z * w, w * w], [1.0, 2 * z * w, w * w], SAMPLE_HZ)
    return np.asarray(lfilter(b, a, target - target[0]) + target[0])


def _wander(rng: np.random.Generator, count: int, time_s: float) -> Vector:
    """Return an Ornstein-Uhlenbeck process of unit sigma, smoothed as a hand is (its acceleration is finite)."""
    keep = np.exp(-1 / (time_s * SAMPLE_HZ))
    raw = lfilter([np.sqrt(1 - keep * keep)], [1.0, -keep], rng.normal(0, 1, count))
    smooth = gaussian_filter1d(np.asarray(raw), 0.06 * SAMPLE_HZ)
    return np.asarray(smooth / np.std(smooth))


def _ramp(time_s: Vector, start_s: float, length_s: float) -> Vector:
    x = np.clip((time_s - start_s) / length_s, 0.0, 1.0)
    return np.asarray(x**3 * (10 + x * (6 * x - 15)))


def _wrapped(angle_rad: Vector) -> Vector:
    return np.asarray((angle_rad + np.pi) % (2 * np.pi) - np.pi)
