"""The best places for N observers: exchanges on a net of places, then a descent in whole metres and degrees.

An exchange moves one station at a time to the best place while the others stay (after Fedorov, *Theory of Optimal Experiments*,
1972); it begins from many layouts, because it can end in a place that no single move betters. The descent keeps to whole metres
and degrees, so that what is promised is what a tape and a compass lay out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.plan.accuracy import Readings, expected_sigma, gradients, height_variance, information, prior_information
from apexfix.plan.ground import Ground, allowed, apart, grid, places
from apexfix.reduce.least_squares import HorizontalPrior
from apexfix.units import DEG

_MOST_EXCHANGES: Final = 12
_WEAK: Final = 1e12  # m2; stands for a height that cannot be known yet while stations are added
_STEPS: Final = ((16, 12), (8, 6), (4, 3), (2, 2), (1, 1))  # metres and degrees
_KEPT: Final = 3  # ends of exchanges that are worth a descent


@dataclass(frozen=True, slots=True)
class Task:
    """What a layout is judged by."""

    apex_m: Vector  # (K, 3) flights to expect
    readings: Readings
    prior: HorizontalPrior | None
    ground: Ground

    def sigma_m(self, station_m: Vector) -> float:
        """Return the sigma of the height to expect from (N, 3) stations."""
        return expected_sigma(station_m, self.apex_m, self.readings, self.prior)


def best_layout(task: Task, count: int, begin: Sequence[Vector]) -> Vector:
    """Return the (count, 3) stations of the least expected sigma, in the order of their bearings.

    Parameters
    ----------
    begin : layouts (count, 3) to begin from besides one that grows station by station

    Raises
    ------
    ReductionError
        The ground has no room for so many.
    """
    net = grid(task.ground, float(task.apex_m[:, 2].min()))
    if len(net) < count:
        raise _no_room(task.ground, count, len(net))
    known = information(gradients(net, task.apex_m, task.readings))
    belief = prior_information(task.prior)[:, None, None]
    starts = [_grown(net, known, belief, count), *(_nearest(net, layout) for layout in begin)]
    ends = {tuple(sorted(_exchanged(net, known, belief, start))) for start in starts if len(set(start)) == count}
    if not ends:
        raise _no_room(task.ground, count, len(net))
    ranked = sorted(ends, key=lambda chosen: _rms(known, belief, list(chosen)))
    polished = [_descended(task, net[list(chosen)]) for chosen in ranked[:_KEPT]]
    best = min(polished, key=task.sigma_m)
    bearing = np.mod(np.arctan2(best[:, 0], best[:, 1]), 2 * np.pi)
    return best[np.argsort(bearing)]


def _no_room(ground: Ground, count: int, found: int) -> ReductionError:
    inside = "" if ground.field is None else f" inside the field {ground.field.name!r}"
    sun = "" if ground.clear is None else " and clear of the Sun"
    return ReductionError(
        f"{found} places seen{inside} beyond the standoff of {ground.standoff_m:g} m{sun} for {count} stations that stand apart; "
        "ask for fewer stations, another pad or a larger field"
    )


# --- exchanges ------------------------------------------------------------------------------------------------------


def _grown(net: Vector, known: Vector, belief: Vector, count: int) -> list[int]:
    """Return a layout that took the best place for each station after the other; shorter where no place is left."""
    chosen: list[int] = []
    for _ in range(count):
        free = _free(net, chosen)
        if not free.any():
            break
        chosen.append(_best_addition(known, belief, chosen, free))
    return chosen


def _nearest(net: Vector, layout: Vector) -> list[int]:
    return [int(np.argmin(np.linalg.norm(net - place, axis=1))) for place in layout]


def _exchanged(net: Vector, known: Vector, belief: Vector, start: list[int]) -> list[int]:
    chosen = list(start)
    best = _rms(known, belief, chosen)
    for _ in range(_MOST_EXCHANGES):
        for k in range(len(chosen)):
            rest = chosen[:k] + chosen[k + 1 :]
            free = _free(net, rest)
            if free.any():
                chosen[k] = _best_addition(known, belief, rest, free)
        now = _rms(known, belief, chosen)
        if now >= best * (1 - 1e-6):
            break
        best = now
    return chosen


def _free(net: Vector, taken: list[int]) -> Vector:
    return np.asarray(apart(net, net[taken]))


def _best_addition(known: Vector, belief: Vector, rest: list[int], free: Vector) -> int:
    summed = known[:, :, rest].sum(axis=-1, keepdims=True) + belief + known
    # a tiny certainty in every direction tells apart places that leave something unknown all the same
    summed[:3] += 1 / _WEAK
    mean = height_variance(summed).mean(axis=0)
    return int(np.argmin(np.where(free, mean, np.inf)))


def _rms(known: Vector, belief: Vector, chosen: list[int]) -> float:
    return float(np.sqrt(height_variance(known[:, :, chosen].sum(axis=-1) + belief[:, :, 0]).mean()))


# --- descent --------------------------------------------------------------------------------------------------------


def _descended(task: Task, layout: Vector) -> Vector:
    """Return a layout in whole metres and degrees that no step of one of them betters."""
    figures = np.stack([np.hypot(layout[:, 0], layout[:, 1]), np.arctan2(layout[:, 0], layout[:, 1]) / DEG], axis=1)
    now = _on_whole_figures(task, figures, layout)
    best = task.sigma_m(_laid(now))
    for metres, degrees in _STEPS:
        moved = True
        while moved:
            moved = False
            for k, step in product(range(len(now)), _moves(metres, degrees)):
                trial = now.copy()
                trial[k] += step
                if _permitted(task.ground, trial, k) and (sigma := task.sigma_m(_laid(trial))) < best * (1 - 1e-5):
                    now, best, moved = trial, sigma, True
    return _laid(now)


def _moves(metres: int, degrees: int) -> list[tuple[int, int]]:
    return [(m * metres, d * degrees) for m, d in product((0, 1, -1), repeat=2) if m or d]


def _laid(figures: Vector) -> Vector:
    return places(figures[:, 0], figures[:, 1] * DEG)


def _permitted(ground: Ground, figures: Vector, moved: int) -> bool:
    if figures[moved, 0] <= 0:
        return False
    laid = _laid(figures)
    return bool(allowed(ground, laid[moved : moved + 1])[0] and apart(laid[moved : moved + 1], np.delete(laid, moved, axis=0))[0])


def _on_whole_figures(task: Task, figures: Vector, layout: Vector) -> Vector:
    """Return each station on the nearest whole metre and degree that it may take."""
    near = sorted(product(range(-3, 4), repeat=2), key=lambda step: abs(step[0]) + abs(step[1]))
    whole = []
    for k, own in enumerate(np.round(figures)):
        trials = np.array([own + step for step in near])
        good = allowed(task.ground, _laid(trials)) & (trials[:, 0] > 0)
        if not good.any():
            raise _no_room(task.ground, len(layout), k)
        whole.append(trials[int(np.argmax(good))])
    return np.array(whole)
