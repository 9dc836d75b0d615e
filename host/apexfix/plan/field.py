"""The outline of a field: a simple polygon around the pad, from a file of corners or of four edges."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from apexfix.fields import Check, anything, number, text, whole
from apexfix.model import Vector
from apexfix.reduce.sightline import Mask
from apexfix.toml_tables import parsed, table, tables

LARGEST_FIELD_BYTES: Final = 1 << 18
_FARTHEST_M: Final = 20_000.0
_ROUNDS: Final = 12  # each search for the largest circle halves its step; twelve leave a millimetre of a field of some metres
_MOST_CORNERS: Final = 500
_AWAY: Final = number(0, _FARTHEST_M, above=True)
_EDGES: Final[Mapping[str, Check]] = {"west_m": _AWAY, "east_m": _AWAY, "south_m": _AWAY, "north_m": _AWAY}
_CORNER: Final[Mapping[str, Check]] = {axis: number(-_FARTHEST_M, _FARTHEST_M) for axis in ("east_m", "north_m")}
_TOP: Final[Mapping[str, Check]] = {"format": whole(1, 1), "name": text(200), "rectangle": anything, "corner": anything}


@dataclass(frozen=True, slots=True)
class Field:
    """Where people may stand and a model may land."""

    name: str
    corner_m: Vector  # (C, 2) east and north from the pad, in order around the field


def read_field(path: Path) -> Field:
    """Return the field that a file describes: a table [rectangle] of the distances from the pad to each edge, or [[corner]] tables.

    Raises
    ------
    FileError
        As for every TOML file; or the corners are too few, cross each other, or leave the pad outside.
    """
    document = parsed(path, LARGEST_FIELD_BYTES)
    top = table(document, (), _TOP, required=("format",))
    if ("rectangle" in top.values) == ("corner" in top.values):
        raise top.error("one table [rectangle] or three or more tables [[corner]] expected, and not both", "rectangle")
    if "rectangle" in top.values:
        edge = table(document, ("rectangle",), _EDGES, required=tuple(_EDGES)).values
        west, east, south, north = -edge["west_m"], edge["east_m"], -edge["south_m"], edge["north_m"]
        corners = np.array([[west, south], [east, south], [east, north], [west, north]])
    else:
        rows = tables(document, "corner", _CORNER, required=tuple(_CORNER))
        corners = np.array([[row.values["east_m"], row.values["north_m"]] for row in rows]).reshape(-1, 2)
    if not 3 <= len(corners) <= _MOST_CORNERS:
        raise top.error(f"{len(corners)} corners seen, 3 to {_MOST_CORNERS} expected", "corner")
    if _crosses(corners):
        raise top.error("the outline crosses or touches itself; write the corners in their order around the field", "corner")
    field = Field(top.values.get("name", path.stem), corners)
    if not inside(field, np.zeros((1, 2)))[0]:
        raise top.error("the pad (0, 0) lies outside the outline; corners count from the pad, east and north", "corner")
    return field


def inside(field: Field, point_m: Vector) -> Mask:
    """Return which of (..., 2) points lie inside the outline: those from which a ray crosses it an odd number of times.

    Examples
    --------
    >>> square = Field("", np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]))
    >>> inside(square, np.array([[0.0, 0.0], [2.0, 0.0]])).tolist()
    [True, False]
    """
    east, north = point_m[..., 0, None], point_m[..., 1, None]
    first, second = field.corner_m, np.roll(field.corner_m, -1, axis=0)
    spans = (first[:, 1] > north) != (second[:, 1] > north)
    rise = np.where(second[:, 1] == first[:, 1], 1.0, second[:, 1] - first[:, 1])
    crossing = first[:, 0] + (north - first[:, 1]) / rise * (second[:, 0] - first[:, 0])
    return np.asarray((spans & (east < crossing)).sum(axis=-1) % 2 == 1)


def edge_distance_m(field: Field, point_m: Vector) -> Vector:
    """Return how far (..., 2) points are from the nearest edge, whichever side they are on."""
    first = field.corner_m
    along = np.roll(first, -1, axis=0) - first
    away = point_m[..., None, :] - first
    share = np.clip((away * along).sum(axis=-1) / np.maximum((along**2).sum(axis=-1), 1e-12), 0.0, 1.0)
    return np.asarray(np.linalg.norm(away - share[..., None] * along, axis=-1).min(axis=-1))


def breadth_m(field: Field) -> float:
    """Return the diameter of the largest circle in the field: the shortest side of a rectangle, and never too large a figure."""
    low, high = field.corner_m.min(axis=0), field.corner_m.max(axis=0)
    step = (high - low) / 40
    points = low + step * np.stack(np.meshgrid(np.arange(41), np.arange(41)), axis=-1).reshape(-1, 2)
    best, radius = _deepest(field, points)
    around = np.stack(np.meshgrid([-1, -0.5, 0, 0.5, 1], [-1, -0.5, 0, 0.5, 1]), axis=-1).reshape(-1, 2)
    for _ in range(_ROUNDS):
        best, radius = _deepest(field, best + around * step)
        step = step / 2
    return 2 * radius


def _deepest(field: Field, points: Vector) -> tuple[Vector, float]:
    depth = np.where(inside(field, points), edge_distance_m(field, points), 0.0)
    return points[int(np.argmax(depth))], float(depth.max())


def _crosses(corners: Vector) -> bool:
    """Return whether two edges that are not neighbours meet, or a corner stands twice."""
    count = len(corners)
    if len(np.unique(corners, axis=0)) < count:
        return True
    ends = np.roll(corners, -1, axis=0)
    return any(
        _meet(corners[i], ends[i], corners[j], ends[j]) for i in range(count) for j in range(i + 2, count) if (j + 1) % count != i
    )


def _meet(a: Vector, b: Vector, c: Vector, d: Vector) -> bool:
    return _side(a, b, c) * _side(a, b, d) <= 0 and _side(c, d, a) * _side(c, d, b) <= 0


def _side(a: Vector, b: Vector, c: Vector) -> float:
    return float(np.sign((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])))
