"""One straight line from a unit's microseconds to the host's UTC, for each stretch of a unit's power.

Offset and delay of an exchange are those of RFC 5905, section 8. The offset is wrong by at most half the delay, whichever way
the delay was shared between the two directions; it is taken as evenly spread over that range. Exchanges made together share
their trouble, so each *group* gives one offset: that of its fastest exchange with which most of the group agree (the
intersection rule of RFC 5905, section 11.2.1, in its simplest form). The line is a least-squares fit with a prior on the drift.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from apexfix.errors import ReductionError
from apexfix.model import Stamps, Vector
from apexfix.units import SECOND_US, US
from apexfix.wire import LATEST_US, Exchange

DRIFT_PRIOR: Final = 50e-6  # sigma; a crystal for boards is sold as within 30 ppm, with temperature and age on top
WANDER: Final = 0.5e-6  # how far the rate moves within hours: a few ppm over 20 degrees Celsius is the usual sheet
FLOOR_S: Final = 0.3e-3  # of any exchange: USB frames come once a millisecond
GROUP_GAP_S: Final = 60.0  # exchanges further apart are separate groups
STEP_FLOOR_S: Final = 0.05  # steps of the host's UTC below this cannot be told from a slow exchange
STEP_RATE: Final = 200e-6  # four sigmas of the drift prior: a difference below this may be drift


class ClockKey(NamedTuple):
    """Names one stretch of power of one unit."""

    serial: str
    log: str
    boot: int


@dataclass(frozen=True, slots=True)
class Clock:
    """The line, and how well it is known. Times are relative to ``origin_us`` to keep the numbers small."""

    key: ClockKey
    origin_us: int  # on the unit
    origin_utc_us: int
    drift: float  # seconds of UTC gained on the unit's, per second of the unit's
    covariance: tuple[tuple[float, float], tuple[float, float]]  # of (offset in s, drift)
    groups_us: tuple[int, ...]  # on the unit: where the clocks were compared
    remarks: tuple[str, ...]

    def utc_us(self, t_us: ArrayLike) -> tuple[Stamps, Vector]:
        """Return UTC in microseconds, and its sigma in seconds, for one or many stamps of the unit."""
        stamps = np.asarray(t_us, dtype=np.int64)
        elapsed_us = stamps - self.origin_us
        utc_us = self.origin_utc_us + elapsed_us + np.rint(elapsed_us * self.drift).astype(np.int64)
        elapsed_s = elapsed_us * US
        (offset, shared), (_, drift) = self.covariance
        away_s = np.min([np.abs(stamps - group) for group in self.groups_us], axis=0) * US
        variance = offset + 2 * shared * elapsed_s + drift * elapsed_s**2 + (WANDER * away_s) ** 2
        return utc_us, np.sqrt(variance)


@dataclass(frozen=True, slots=True)
class _Point:
    """What one group says: UTC less unit time, at a time of the unit."""

    t_us: int
    utc_us: int
    monotonic_us: int
    sigma_s: float
    size: int


def offset_s(exchange: Exchange) -> float:
    """Return the unit's clock less the host's, ((T2 - T1) + (T3 - T4)) / 2, from RFC 5905, section 8."""
    return (exchange.t2_us - exchange.t1_utc_us + exchange.t3_us - exchange.t4_utc_us) * US / 2


def delay_s(exchange: Exchange) -> float:
    """Return the time on the way there and back, (T4 - T1) - (T3 - T2), from RFC 5905, section 8."""
    return (exchange.t4_utc_us - exchange.t1_utc_us - exchange.t3_us + exchange.t2_us) * US


def clocks(exchanges: Iterable[Exchange]) -> Mapping[ClockKey, Clock]:
    """Return the clock of every boot that ever exchanged stamps with a host. A boot that did not is absent.

    An exchange with a stamp that no clock can show (a file may hold anything) is passed over.
    """
    by_boot: dict[ClockKey, list[Exchange]] = defaultdict(list)
    for exchange in filter(_is_possible, exchanges):
        by_boot[ClockKey(exchange.serial, exchange.log, exchange.boot)].append(exchange)
    return {key: fit_clock(key, group) for key, group in by_boot.items()}


def _is_possible(exchange: Exchange) -> bool:
    stamps = (exchange.t1_utc_us, exchange.t2_us, exchange.t3_us, exchange.t4_utc_us)
    return all(abs(stamp) < LATEST_US for stamp in stamps)


def fit_clock(key: ClockKey, exchanges: Sequence[Exchange]) -> Clock:
    """Return the clock of one boot.

    Where the host's UTC was stepped between groups, the stretch with most exchanges is believed; of equals the later, because
    a laptop's clock is put right more often than wrong. The other stretches are left out, and the remarks say so.

    Raises
    ------
    ReductionError
        There is no exchange.
    """
    if not exchanges:
        raise ReductionError(
            f"unit {key.serial}, boot {key.boot}: its clock was never compared with a host's; pull while the unit is still on"
        )
    points = [_group_point(group) for group in _groups(sorted(exchanges, key=lambda exchange: exchange.t2_us))]
    stretches, remarks = _stretches(key, points)
    believed = max(enumerate(stretches), key=lambda item: (sum(point.size for point in item[1]), item[0]))[1]
    return _line(key, believed, remarks)


def _groups(ordered: Sequence[Exchange]) -> list[list[Exchange]]:
    groups = [[ordered[0]]]
    for at, (before, exchange) in enumerate(pairwise(ordered), 1):
        if (exchange.t2_us - before.t2_us) * US > GROUP_GAP_S or _is_stepped_at(ordered, at):
            groups.append([])
        groups[-1].append(exchange)
    return groups


def _is_stepped_at(ordered: Sequence[Exchange], at: int) -> bool:
    """Return whether UTC was stepped between two exchanges of one pull; a single odd exchange is no step."""
    before, after = ordered[max(0, at - 2) : at], ordered[at : at + 2]
    if len(before) < 2 or len(after) < 2 or not (_agree(before[0], before[1]) and _agree(after[0], after[1])):
        return False
    return not any(_agree(one, other, STEP_FLOOR_S) for one in before for other in after)


def _group_point(group: Sequence[Exchange]) -> _Point:
    """Take the fastest exchange that most of its group agree with; where there is none, of those with most agreement."""
    fastest_first = sorted(group, key=delay_s)
    votes = [sum(_agree(exchange, other) for other in group) for exchange in fastest_first]
    enough = min(len(group) // 2 + 1, max(votes))
    best = next(exchange for exchange, count in zip(fastest_first, votes, strict=True) if count >= enough)
    middle_us = (best.t2_us + best.t3_us) // 2
    half_us = (best.t4_utc_us - best.t1_utc_us) // 2
    sigma_s = sqrt(FLOOR_S**2 + max(delay_s(best), 0.0) ** 2 / 12)
    return _Point(middle_us, best.t1_utc_us + half_us, best.monotonic_us + half_us, sigma_s, len(group))


def _agree(one: Exchange, other: Exchange, slack_s: float = 0.0) -> bool:
    apart_s = abs(offset_s(one) - offset_s(other)) - slack_s
    return apart_s <= (max(delay_s(one), 0.0) + max(delay_s(other), 0.0)) / 2 + 2 * FLOOR_S + GROUP_GAP_S * DRIFT_PRIOR


def _stretches(key: ClockKey, points: Sequence[_Point]) -> tuple[list[list[_Point]], tuple[str, ...]]:
    """Cut where the host's UTC was stepped, and say where."""
    stretches = [[points[0]]]
    remarks = []
    for before, after in pairwise(points):
        step_s = _step_s(before, after)
        if step_s:
            stretches.append([])
            remarks.append(
                f"unit {key.serial}, boot {key.boot}: the host's clock was stepped by {step_s:+z.3f} s between two comparisons "
                f"{(after.t_us - before.t_us) * US:.0f} s apart; the stretch with most comparisons is believed"
            )
        stretches[-1].append(after)
    return stretches, tuple(remarks)


def _step_s(before: _Point, after: _Point) -> float:
    """Return by how much UTC was stepped between two groups, 0 where it was not.

    The unit's clock runs through and shows a step beyond its possible drift. The host's steady clock shows a smaller one, but
    only where it agrees with the unit's: it may have slept or begun anew.
    """
    unit_s = (after.t_us - before.t_us) * US
    utc_s = (after.utc_us - before.utc_us) * US
    steady_s = (after.monotonic_us - before.monotonic_us) * US
    tolerance_s = STEP_FLOOR_S + STEP_RATE * unit_s
    if abs(utc_s - unit_s) > tolerance_s:
        return utc_s - (steady_s if abs(steady_s - unit_s) <= tolerance_s else unit_s)
    if abs(steady_s - unit_s) <= tolerance_s and abs(utc_s - steady_s) > STEP_FLOOR_S:
        return utc_s - steady_s
    return 0.0


def _line(key: ClockKey, points: Sequence[_Point], remarks: tuple[str, ...]) -> Clock:
    """Fit offset (free) and drift (prior) by weighted least squares; the normal equations are two by two."""
    origin = points[0]
    elapsed_s = np.array([(point.t_us - origin.t_us) * US for point in points])
    gained_s = np.array([((point.utc_us - origin.utc_us) - (point.t_us - origin.t_us)) * US for point in points])
    weight = 1 / np.array([point.sigma_s for point in points]) ** 2
    moment = weight @ elapsed_s
    normal = np.array([[weight.sum(), moment], [moment, weight @ elapsed_s**2 + DRIFT_PRIOR**-2]])
    covariance = np.linalg.inv(normal)
    offset, drift = covariance @ np.array([weight @ gained_s, weight @ (elapsed_s * gained_s)])
    return Clock(
        key=key,
        origin_us=origin.t_us,
        origin_utc_us=origin.utc_us + round(offset * SECOND_US),
        drift=float(drift),
        covariance=((float(covariance[0, 0]), float(covariance[0, 1])), (float(covariance[1, 0]), float(covariance[1, 1]))),
        groups_us=tuple(point.t_us for point in points),
        remarks=remarks,
    )
