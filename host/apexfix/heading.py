"""From headings to azimuths: what backsights say at a mark, and how far they may be wrong.

The gyroscope carries the heading from a backsight to a mark. On the way its offset moves, with the temperature and by itself; a
turn comes out too long or too short; and an accelerometer that is not upright twists the heading of a tube that is raised. What
moves steadily shows when the same target is sighted again, and is taken out. What depends on where the tube points does not: it is
gone when the tube is back on the target, and was whole at the mark.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Final, Protocol, TypeVar

import numpy as np

from apexfix.calibrate.tolerance import Tolerance
from apexfix.geometry import tangent_and_secant, wrapped
from apexfix.units import DEG, US

WARN_MISCLOSURE_SIGMA: Final = 3.0  # beyond this something moved, or one of two backsights was not on the target
# How fast a unit in the hands warms where nobody knows: a degree in five minutes (common practice).
_WARMING_C_PER_S: Final = 1.0 / 300.0
# What the unit's filter adds in hands that shake and sway while it is carried, per root of time to the nearer backsight.
_CARRIED_RAD_PER_ROOT_S: Final = 0.01 * DEG
_T_US: Final = attrgetter("t_us")
_LOST_RAD: Final = 60.0 * DEG  # three times that is half round: a misclosure may hide whole turns, and the heading is none


@dataclass(frozen=True, slots=True)
class Look:
    """Where the tube pointed at one press, in the level frame of its run, and what tells how the gyroscope fared."""

    t_us: int
    heading_rad: float
    elevation_rad: float
    temperature_celsius: float | None
    still_us: int | None  # when the gyroscope's offset was last taken at rest; None never


@dataclass(frozen=True, slots=True)
class HeadingZero:
    """What to add to a heading to get an azimuth, at one instant."""

    azimuth_minus_heading_rad: float
    sigma_rad: float
    misclosure_rad: float | None  # after minus before; None with one backsight


class Timed(Protocol):
    """Something that happened at a time of the unit."""

    @property
    def t_us(self) -> int: ...


S = TypeVar("S", bound=Timed)


def heading_zero(
    backsights: Sequence[Look], reference_azimuth_rad: float, mark: Look, sigma_backsight_rad: float, unit: Tolerance
) -> HeadingZero | None:
    """Return the heading's zero at a mark from the backsights of the same run, or None where there is none.

    With a backsight before and one after, the misclosure is spread linearly over the time between them, which removes a steady gyro
    offset; with one, the zero is that backsight's and the sigma grows with the time since. A heading that was lost on the way gives
    none.

    Parameters
    ----------
    backsights : sequence
        All of one run, in any order; the last before and the first after the mark are used.
    sigma_backsight_rad : float
        How well one press points at the target.
    unit : Tolerance
        Of the unit that carried the heading.
    """
    before, after = around(backsights, mark.t_us)
    if before is not None and after is not None:
        if _drift_rad(before, after, unit) > _LOST_RAD:
            return None
        return _closed_zero((before, after), reference_azimuth_rad, mark, sigma_backsight_rad, unit)
    one = before or after
    if one is None:
        return None
    drift = _drift_rad(one, mark, unit)
    if drift > _LOST_RAD:
        return None
    sigma = float(np.linalg.norm([sigma_backsight_rad, drift, _turned_rad(one, mark, unit)]))
    return HeadingZero(float(wrapped(reference_azimuth_rad - one.heading_rad)), sigma, None)


def misclosure_limit_rad(backsights: Sequence[Look], mark: Look, sigma_backsight_rad: float, unit: Tolerance) -> float:
    """Return the misclosure around a mark beyond which a pair of backsights is not to be believed without a look; else infinity."""
    before, after = around(backsights, mark.t_us)
    if before is None or after is None:
        return np.inf
    return WARN_MISCLOSURE_SIGMA * float(np.hypot(np.sqrt(2.0) * sigma_backsight_rad, _drift_rad(before, after, unit)))


def around(sights: Sequence[S], at_us: int) -> tuple[S | None, S | None]:
    """Return the last of some sights, in any order, before a time of the unit and the first after it; None where there is none."""
    ordered = sorted(sights, key=_T_US)
    passed = bisect_right(ordered, at_us, key=_T_US)
    return ordered[passed - 1] if passed else None, ordered[passed] if passed < len(ordered) else None


def _closed_zero(pair: tuple[Look, Look], azimuth_rad: float, mark: Look, aim_rad: float, unit: Tolerance) -> HeadingZero:
    before, after = pair
    share = (mark.t_us - before.t_us) / (after.t_us - before.t_us)
    misclosure = float(wrapped(before.heading_rad - after.heading_rad))
    carried_rad = float(wrapped(before.heading_rad - share * misclosure))
    zero = float(wrapped(azimuth_rad - carried_rad))
    elevation_rad = (1.0 - share) * before.elevation_rad + share * after.elevation_rad
    target = Look(mark.t_us, carried_rad, elevation_rad, None, None)
    parts = (aim_rad * np.hypot(1.0 - share, share), _bridged_rad(before, after, share, unit), _turned_rad(target, mark, unit))
    return HeadingZero(zero, float(np.linalg.norm(parts)), misclosure)


def _drift_rad(one: Look, other: Look, unit: Tolerance) -> float:
    """Return how far the heading may have drifted from one look to the other.

    Of an offset that walks with w per root second, t seconds after it was a seconds old: w sqrt(t^3 / 3 + a t^2). The temperature
    is taken to run evenly, so that half of its change counts.
    """
    elapsed_s = abs(other.t_us - one.t_us) * US
    earlier = min(one, other, key=lambda look: look.t_us)
    age_s = 0.0 if earlier.still_us is None else max(earlier.t_us - earlier.still_us, 0) * US
    rest = unit.never_rested_rad_s if earlier.still_us is None else unit.rest_rad_s
    parts = (
        rest * elapsed_s,
        unit.trend_rad_s_c * _WARMING_C_PER_S * age_s * elapsed_s,
        unit.trend_rad_s_c * _warmed_c(one, other) / 2 * elapsed_s,
        unit.wander_rad_s_root_s * np.sqrt(elapsed_s**3 / 3 + age_s * elapsed_s**2),
        np.hypot(unit.walk_rad_root_s, _CARRIED_RAD_PER_ROOT_S) * np.sqrt(elapsed_s),
    )
    return float(np.linalg.norm(parts))


def _bridged_rad(before: Look, after: Look, share: float, unit: Tolerance) -> float:
    """Return what is left of the drift at a share of the time between two looks, when a straight line took out what both show.

    Of a walking angle sqrt(t (T - t) / T), of a walking offset t (T - t) / sqrt(3 T), of one that moves evenly t (T - t) / 2 T for
    each unit of its change.
    """
    elapsed_s = (after.t_us - before.t_us) * US
    bridge_s = share * (1.0 - share) * elapsed_s
    parts = (
        unit.trend_rad_s_c * _warmed_c(before, after) / 2 * bridge_s,
        unit.wander_rad_s_root_s * bridge_s * np.sqrt(elapsed_s / 3),
        np.hypot(unit.walk_rad_root_s, _CARRIED_RAD_PER_ROOT_S) * np.sqrt(bridge_s),
    )
    return float(np.linalg.norm(parts))


def _turned_rad(target: Look, mark: Look, unit: Tolerance) -> float:
    """Return what depends on where the tube points: not on the target again, but whole at the mark.

    An up that is wrong by z to the side moves the azimuth of a raised tube by z tan E, a tube that looks aside by u by u / cos E.
    """
    own, other = (tangent_and_secant(look.elevation_rad) for look in (mark, target))
    tangent, secant = (float(mine - its) for mine, its in zip(own, other, strict=True))
    parts = (
        unit.scale * float(wrapped(mark.heading_rad - target.heading_rad)),
        unit.cross * (mark.elevation_rad - target.elevation_rad),
        unit.zero_rad * tangent,
        unit.tube_rad * secant,
    )
    return float(np.linalg.norm(parts))


def _warmed_c(one: Look, other: Look) -> float:
    if one.temperature_celsius is None or other.temperature_celsius is None:
        return _WARMING_C_PER_S * abs(other.t_us - one.t_us) * US
    return abs(other.temperature_celsius - one.temperature_celsius)
