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

All functions take any number of flights at once, F; P unknowns of a flight are eleven of its arc and whatever follows them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

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
    drag_m_s4: float = 0.03  # the c of the module's text: a terminal speed of 50 m/s; 24 m/s of a bottle makes 0.14, 75 m/s 0.014
    sigma_drag_m_s4: float = 0.05
    recovery_m_s2: float = 4.0  # per axis, what a recovery device adds after the apex
    opening_share: float = 0.5  # of models whose recovery device opens within a track; delays come in whole seconds
    climb_m_s: float = 6.0  # at the opening; negative where it comes late
    canopy_m_s: float = 4.0  # rate of descent under the canopy
    sigma_canopy_m_s: float = 3.0  # of it, and per axis of the drift there
    canopy_s: float = 0.2  # the tau of the module's text
    coast_m_s3: float = 0.01  # what the arc leaves out before the apex, times |s|^3
    fall_m_s2: float = 0.5  # and after it, times s^2


ARC: Final = 11  # unknowns of the arc: place 3, time 1, and 7 more
DRAG: Final = (6, 10)  # the unknown that is the drag, in either form
_TINY: Final = 1e-12
_K_PER_C: Final = 12 / STANDARD_GRAVITY**2  # k = g / w^2 over c = g^3 / (12 w^2)
_LEAST_DESCENT_M_S: Final = 0.1
_NUDGE: Final = 1e-4  # of an unknown, for a derivative by differences

_ByAxis = Mapping[int, Vector | float]
_PLACE: Final[tuple[_ByAxis, ...]] = ({0: 1.0}, {1: 1.0}, {2: 1.0})


class Course(NamedTuple):
    """Where a model was at some times, and how each unknown of its arc moves it there."""

    place: tuple[Vector, Vector, Vector]  # east, north, up; each of the shape of the times
    by: tuple[_ByAxis, ...]  # for each unknown the derivatives of the axes 0 to 2; one that is not there is zero


def path(unknown: Vector, time_s: Vector, priors: TrackPriors, *, opened: bool) -> Course:
    """Return places and their derivatives by the arc's unknowns.

    Parameters
    ----------
    unknown : (F, P)
    time_s : (F, ...)
    opened : whether it is the second form

    Notes
    -----
    The derivative by unknown 3 is minus that by the time. Most of the others have one axis or two: a full table would be zeros.
    """
    each = unknown.T.reshape(-1, len(unknown), *(1,) * (time_s.ndim - 1))
    return _opening(each, time_s, priors) if opened else _coasting(each, time_s)


def _coasting(each: Vector, time_s: Vector) -> Course:
    """Unknowns: apex 3, its time, level velocity 2, drag, recovery 3; the last is the other form's."""
    x, y, z, at, vx, vy, c, ax, ay, az, _ = each[:ARC]
    s = time_s - at
    fallen = np.maximum(s, 0.0)
    speed, turning = _level(vx, vy)
    squared, steep, half = s * s, np.abs(s) ** 3, fallen * fallen / 2
    held = 0.5 * _K_PER_C * squared  # what the drag takes off the level way, over c |v| v
    lift = _K_PER_C * STANDARD_GRAVITY / 6 * squared * s
    dragged, along, slowed = s * steep + speed * lift, s - (c * speed) * held, 1 - (_K_PER_C * c * speed) * s
    place = (
        x + along * vx + half * ax,
        y + along * vy + half * ay,
        z + c * dragged - STANDARD_GRAVITY / 2 * squared + half * az,
    )  # fmt: skip
    rising = c * (4 * steep + (STANDARD_GRAVITY * speed) * held) - STANDARD_GRAVITY * s
    velocity = slowed * vx + fallen * ax, slowed * vy + fallen * ay, rising + fallen * az
    return Course(place, (
        *_PLACE,
        _earlier(velocity),
        {0: s - (c * turning[0]) * held, 1: (-c * turning[1]) * held, 2: (c * vx / speed) * lift},
        {0: (-c * turning[1]) * held, 1: s - (c * turning[2]) * held, 2: (c * vy / speed) * lift},
        {0: (-speed * vx) * held, 1: (-speed * vy) * held, 2: dragged},
        {0: half}, {1: half}, {2: half},
        {},
    ))  # fmt: skip


def _opening(each: Vector, time_s: Vector, priors: TrackPriors) -> Course:
    """Unknowns: opening 3, its time, level velocity 2 and climb before it, velocity 3 under the canopy, drag."""
    x, y, z, at, vx, vy, climb, *canopy, c = each[:ARC]
    s = time_s - at
    before, after = np.minimum(s, 0.0), np.maximum(s, 0.0)
    fading = np.exp(-after / priors.canopy_s)
    run = priors.canopy_s * (1 - fading)  # how far a unit of speed carries on after the opening
    (speed, turning), k = _level(vx, vy), _K_PER_C * c
    squared, carried, hung = before * before, before + run, after - run
    thinned = 0.5 * _K_PER_C * squared  # what the drag takes off the level way, over c |v| v
    held = c * thinned
    # the drag of the climb, counted from the top of the coast; what it does to place and speed at the opening is in those unknowns
    top = climb / STANDARD_GRAVITY
    drag, slope, _ = _drag_up(before - top)
    drag_0, slope_0, bend_0 = _drag_up(-top)
    lift = _K_PER_C * STANDARD_GRAVITY * (before / 6 - top / 2) * squared
    dragged = drag - drag_0 - slope_0 * before + speed * lift
    bent = c * dragged - STANDARD_GRAVITY / 2 * squared
    place = (
        x + (carried - speed * held) * vx + hung * canopy[0],
        y + (carried - speed * held) * vy + hung * canopy[1],
        z + carried * climb + hung * canopy[2] + bent,
    )  # fmt: skip
    going, slowed = 1 - fading, fading - (k * speed) * before
    rising = c * (slope - slope_0) + STANDARD_GRAVITY * (k * speed * (squared / 2 - top * before) - before)
    velocity = (
        slowed * vx + going * canopy[0],
        slowed * vy + going * canopy[1],
        fading * climb + going * canopy[2] + rising,
    )  # fmt: skip
    by_climb = carried + c * (bend_0 * before - slope + slope_0) / STANDARD_GRAVITY - speed * held
    return Course(place, (
        *_PLACE,
        _earlier(velocity),
        {0: carried - turning[0] * held, 1: -turning[1] * held, 2: (c * vx / speed) * lift},
        {0: -turning[1] * held, 1: carried - turning[2] * held, 2: (c * vy / speed) * lift},
        {2: by_climb},
        {0: hung}, {1: hung}, {2: hung},
        {0: (-speed * vx) * thinned, 1: (-speed * vy) * thinned, 2: dragged},
    ))  # fmt: skip


def _earlier(velocity: Sequence[Vector]) -> _ByAxis:
    return {axis: -own for axis, own in enumerate(velocity)}


def _level(vx: Vector, vy: Vector) -> tuple[Vector, tuple[Vector, Vector, Vector]]:
    """Return the level speed at the apex, and the derivatives of |v| v by v: east, across, north."""
    speed = np.maximum(np.hypot(vx, vy), _TINY)
    return speed, (speed + vx * vx / speed, vx * vy / speed, speed + vy * vy / speed)


def _drag_up(s: Vector) -> tuple[Vector, Vector, Vector]:
    """Return s^3 |s| and its first two derivatives."""
    bend = 12 * s * np.abs(s)
    return bend * s * s / 12, bend * s / 3, bend


def highest(unknown: Vector, priors: TrackPriors, *, opened: bool) -> Vector:
    """Return the (F, 4) apexes: east, north, up, and the time."""
    if not opened:
        return unknown[:, :4].copy()
    climb, descent = unknown[:, 6], np.maximum(-unknown[:, 9], _LEAST_DESCENT_M_S)
    to_top = priors.canopy_s * np.log1p(np.maximum(climb, 0.0) / descent)
    time_s = unknown[:, 3] + np.where(climb < 0, climb / STANDARD_GRAVITY, to_top)
    return np.stack([*path(unknown, time_s, priors, opened=True).place, time_s], axis=1)


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
