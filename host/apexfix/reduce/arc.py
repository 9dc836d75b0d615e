"""One arc through all that the observers held in their tubes around the apex; nobody needs to press at the same time as another.

The arc, at *s* seconds after the apex, with the level velocity v there:

    level     apex + v s - k |v| v s^2 / 2                      + a s^2 / 2   after the apex
    up        apex - g s^2 / 2 + k |v| g s^3 / 6 + c s^3 |s|    + a s^2 / 2   after the apex

*c* is the first term of the series of a vertical coast with drag growing as the square of the speed, g^3 / (12 w^2) at the terminal
speed w; k = g / w^2 is the same drag on the level part. *a* stands for what the model does on its way down. Both are solved for
with priors. What the arc still leaves out grows away from the apex and takes weight from the samples there.

A recovery device may open within the track, before the top of the coast or after it. That is a second form of the arc, at *s*
seconds after the opening, with the velocity (v, w) just before it and (u, d) when the model hangs under its canopy:

    before    as above, with the top at s = w / g
    after     level     opening + u s + (v - u) tau (1 - exp(-s / tau))
              up        opening + d s + (w - d) tau (1 - exp(-s / tau))

The apex is the top of the coast where it opened later (w < 0), else the highest point a little after the opening. Both forms are
fitted; the answer is their mean, weighted by how likely each is.

All functions take any number of flights at once, F; P unknowns of a flight are ten of its arc and whatever follows them.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.units import DEG, STANDARD_GRAVITY


@dataclass(frozen=True, slots=True)
class TrackPriors:
    """What is believed about observers and models before a track is seen. All sigmas are of normal distributions."""

    tracking_rad: float = 0.3 * DEG  # of a held direction on the sky, each axis; a station's own elevation sigma goes first
    correlation_s: float = 0.5  # how long a tracking error lives
    aim_rad: float = 0.15 * DEG  # of a habit that lasts a whole track, each axis: aiming high, running ahead of what slows down
    lag_s: float = 0.2  # by how much a tube trails what it follows
    sigma_lag_s: float = 0.1
    press_s: float = 0.4  # of a press about the apex, reaction time included
    velocity_m_s: float = 15.0  # per axis, level, at the apex
    drag_m_s4: float = 0.02  # the c of the module's text: a terminal speed of 60 m/s
    sigma_drag_m_s4: float = 0.02
    recovery_m_s2: float = 4.0  # per axis, what a recovery device adds after the apex
    opening_share: float = 0.5  # of models whose recovery device opens within a track; delays come in whole seconds
    climb_m_s: float = 6.0  # at the opening; negative where it comes late
    canopy_m_s: float = 4.0  # rate of descent under the canopy
    sigma_canopy_m_s: float = 3.0  # of it, and per axis of the drift there
    canopy_s: float = 0.2  # the tau of the module's text
    coast_m_s3: float = 0.01  # what the arc leaves out before the apex, times |s|^3
    fall_m_s2: float = 0.5  # and after it, times s^2


ARC: Final = 10  # unknowns of the arc: place 3, time 1, and 6 more
_TINY: Final = 1e-12
_K_PER_C: Final = 12 / STANDARD_GRAVITY**2  # k = g / w^2 over c = g^3 / (12 w^2)
_LEVEL: Final = np.eye(2)
_AXES: Final = np.arange(3)
_CLIMB: Final = _AXES + 4
_RECOVERY: Final = _AXES + 7
_LEAST_DESCENT_M_S: Final = 0.1
_NUDGE: Final = 1e-4  # of an unknown, for a derivative by differences


def path(unknown: Vector, time_s: Vector, priors: TrackPriors, *, opened: bool) -> tuple[Vector, Vector]:
    """Return places and their derivatives by the arc's unknowns.

    Parameters
    ----------
    unknown : (F, P)
    time_s : (F, M)
    opened : whether it is the second form

    Returns
    -------
    (F, M, 3) and (F, M, 3, 10) arrays
        The derivative by unknown 3 is minus that by the time.
    """
    return _opening(unknown, time_s, priors) if opened else _coasting(unknown, time_s)


def _coasting(unknown: Vector, time_s: Vector) -> tuple[Vector, Vector]:
    """Unknowns: apex 3, its time, level velocity 2, drag, recovery 3."""
    s = time_s - unknown[:, 3:4]
    fallen = np.maximum(s, 0.0)
    v, c, recovery = unknown[:, None, 4:6], unknown[:, 6:7], unknown[:, None, 7:10]
    speed, k = _speed(unknown), _K_PER_C * c
    squared, steep = s * s, np.abs(s) ** 3
    lift = _K_PER_C * STANDARD_GRAVITY / 6 * squared * s
    by = _places(s.shape)
    by[..., :2, 4:6] = s[..., None, None] * _LEVEL - (0.5 * k * squared)[..., None, None] * _turning(unknown)
    by[..., 2, 4:6] = (c * lift / np.maximum(speed, _TINY))[..., None] * v
    by[..., :2, 6] = (-0.5 * _K_PER_C * speed * squared)[..., None] * v
    by[..., 2, 6] = s * steep + speed * lift
    by[..., _AXES, _RECOVERY] = (fallen * fallen / 2)[..., None]
    position = unknown[:, None, :3] + (fallen * fallen / 2)[..., None] * recovery
    position[..., :2] += (s - 0.5 * k * speed * squared)[..., None] * v
    position[..., 2] += c * by[..., 2, 6] - STANDARD_GRAVITY / 2 * squared
    velocity = fallen[..., None] * recovery
    velocity[..., :2] += (1 - k * speed * s)[..., None] * v
    velocity[..., 2] += 4 * c * steep + 0.5 * k * speed * STANDARD_GRAVITY * squared - STANDARD_GRAVITY * s
    by[..., 3] = -velocity
    return position, by


def _opening(unknown: Vector, time_s: Vector, priors: TrackPriors) -> tuple[Vector, Vector]:
    """Unknowns: opening 3, its time, level velocity 2 and climb before it, velocity 3 under the canopy."""
    s = time_s - unknown[:, 3:4]
    before, after = np.minimum(s, 0.0), np.maximum(s, 0.0)
    squared = before * before
    fading = np.exp(-after / priors.canopy_s)
    run = priors.canopy_s * (1 - fading)  # how far a unit of speed carries on after the opening
    v, climbing, canopy = unknown[:, None, 4:6], unknown[:, None, 4:7], unknown[:, None, 7:10]
    speed, k = _speed(unknown), _K_PER_C * priors.drag_m_s4
    by = _places(s.shape)
    by[..., _AXES, _CLIMB] = (before + run)[..., None]
    by[..., _AXES, _RECOVERY] = (after - run)[..., None]
    position = unknown[:, None, :3] + (before + run)[..., None] * climbing + (after - run)[..., None] * canopy
    by[..., :2, 4:6] -= (0.5 * k * squared)[..., None, None] * _turning(unknown)
    position[..., :2] -= (0.5 * k * speed * squared)[..., None] * v
    # the drag of the climb, counted from the top of the coast; what it does to place and speed at the opening is in those unknowns
    top = unknown[:, 6:7] / STANDARD_GRAVITY
    held, slope, _ = _drag_up(before - top, priors.drag_m_s4)
    held_0, slope_0, bend_0 = _drag_up(-top, priors.drag_m_s4)
    lift = k * STANDARD_GRAVITY * (before / 6 - top / 2) * squared
    position[..., 2] += held - held_0 - slope_0 * before + speed * lift - STANDARD_GRAVITY / 2 * squared
    by[..., 2, 4:6] = (lift / np.maximum(speed, _TINY))[..., None] * v
    by[..., 2, 6] += (bend_0 * before - slope + slope_0) / STANDARD_GRAVITY - 0.5 * k * speed * squared
    velocity = canopy + (climbing - canopy) * fading[..., None]
    velocity[..., :2] -= (k * speed * before)[..., None] * v
    velocity[..., 2] += slope - slope_0 + STANDARD_GRAVITY * (k * speed * (squared / 2 - top * before) - before)
    by[..., 3] = -velocity
    return position, by


def _places(shape: tuple[int, ...]) -> Vector:
    """Return (F, M, 3, 10) derivatives by the place alone."""
    by = np.zeros((*shape, 3, ARC))
    by[..., _AXES, _AXES] = 1.0
    return by


def _speed(unknown: Vector) -> Vector:
    """Return the (F, 1) level speeds at the apex."""
    return np.asarray(np.hypot(unknown[:, 4:5], unknown[:, 5:6]))


def _turning(unknown: Vector) -> Vector:
    """Return the (F, 1, 2, 2) derivatives of |v| v by v."""
    v, speed = unknown[:, 4:6], _speed(unknown)[..., None]
    return np.asarray(speed * _LEVEL + v[:, :, None] * v[:, None, :] / np.maximum(speed, _TINY))[:, None]


def _drag_up(s: Vector, c: float) -> tuple[Vector, Vector, Vector]:
    """Return c s^3 |s| and its first two derivatives."""
    bend = 12 * c * s * np.abs(s)
    return bend * s * s / 12, bend * s / 3, bend


def highest(unknown: Vector, priors: TrackPriors, *, opened: bool) -> Vector:
    """Return the (F, 4) apexes: east, north, up, and the time."""
    if not opened:
        return unknown[:, :4].copy()
    climb, descent = unknown[:, 6], np.maximum(-unknown[:, 9], _LEAST_DESCENT_M_S)
    to_top = priors.canopy_s * np.log1p(np.maximum(climb, 0.0) / descent)
    time_s = unknown[:, 3] + np.where(climb < 0, climb / STANDARD_GRAVITY, to_top)
    position, _ = path(unknown, time_s[:, None], priors, opened=True)
    return np.concatenate([position[:, 0], time_s[:, None]], axis=1)


def highest_gradient(unknown: Vector, priors: TrackPriors, *, opened: bool) -> Vector:
    """Return the (F, 4, P) derivatives of the apexes and their times by the unknowns."""
    gradient = np.zeros((len(unknown), 4, unknown.shape[1]))
    gradient[:, np.arange(4), np.arange(4)] = 1.0
    if opened:
        for column in range(4, ARC):
            step = np.zeros(unknown.shape[1])
            step[column] = _NUDGE
            above, below = (highest(unknown + sign * step, priors, opened=True) for sign in (1, -1))
            gradient[:, :, column] = (above - below) / (2 * _NUDGE)
    return gradient
