"""Where an observer may stand: inside the field, outside the standoff, not too near to another."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.plan.field import Field, inside
from apexfix.reduce.sightline import Mask
from apexfix.units import DEG

EYE_M: Final = 1.5  # of a person who stands, above the ground
# Stations nearer together than this share of their distance from the pad share gusts, glare and mistakes.
APART: Final = 0.3
_BEARINGS: Final = 36
_DISTANCES: Final = 26
_ROOM: Final = 2.0
_NEAREST, _FARTHEST = 0.2, 3.5  # of the lowest and of the highest apex: nearer is a neck, farther a speck


@dataclass(frozen=True, slots=True)
class Ground:
    """The rules for places."""

    field: Field | None
    standoff_m: float
    reach_m: float  # nobody stands farther away
    clear: Callable[[Vector], Mask] | None = None  # what else (N, 3) places must satisfy


def reach_of(highest_m: float, standoff_m: float) -> float:
    """Return how far away a place is still looked for; a low flight leaves room behind the standoff all the same."""
    return max(_FARTHEST * highest_m, _ROOM * standoff_m)


def places(distance_m: Vector, bearing_rad: Vector) -> Vector:
    """Return (..., 3) places of eyes over level ground."""
    distance, bearing = np.broadcast_arrays(distance_m, bearing_rad)
    return np.stack([distance * np.sin(bearing), distance * np.cos(bearing), np.full(distance.shape, EYE_M)], axis=-1)


def allowed(ground: Ground, place_m: Vector) -> Mask:
    """Return which of (N, 3) places an observer may take."""
    away = np.hypot(place_m[:, 0], place_m[:, 1])
    good = (away >= ground.standoff_m - 1e-9) & (away <= ground.reach_m)
    if ground.field is not None:
        good &= inside(ground.field, place_m[:, :2])
    if ground.clear is not None:
        good[good] = ground.clear(place_m[good])
    return np.asarray(good)


def apart(place_m: Vector, others_m: Vector) -> Mask:
    """Return which of (N, 3) places are far enough from every one of (M, 3) others."""
    if not len(others_m):
        return np.ones(len(place_m), dtype=bool)
    gap = np.linalg.norm(place_m[:, None, :2] - others_m[None, :, :2], axis=-1)
    near = np.minimum(np.linalg.norm(place_m[:, None, :2], axis=-1), np.linalg.norm(others_m[None, :, :2], axis=-1))
    return np.asarray((gap >= APART * near).all(axis=1))


def grid(ground: Ground, lowest_m: float) -> Vector:
    """Return the (N, 3) places of a net of bearings and distances that are allowed."""
    nearest = max(ground.standoff_m, _NEAREST * lowest_m, 1.0)
    if nearest >= ground.reach_m:
        return np.empty((0, 3))
    distance, turn = np.meshgrid(np.geomspace(nearest, ground.reach_m, _DISTANCES), np.arange(_BEARINGS) * 360 / _BEARINGS * DEG)
    net = places(distance.ravel(), turn.ravel())
    return net[allowed(ground, net)]
