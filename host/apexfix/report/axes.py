"""A rectangle of a figure with a scale along each side, for what is no map."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.report.svg import Point, line, polygon, words

Range = tuple[float, float]
_STEPS: Final = (1.0, 2.0, 5.0, 10.0)
_PAD: Final = 0.08  # of a range, on both sides of what is drawn


@dataclass(frozen=True, slots=True)
class Axes:
    """Pixels of the rectangle, and what its sides stand for."""

    left_top: Point
    right_bottom: Point
    x: Range  # left, right
    y: Range  # bottom, top

    def at(self, x: float, y: float) -> Point:
        """Return where a pair of values is drawn."""
        (left, top), (right, bottom) = self.left_top, self.right_bottom
        across = (x - self.x[0]) / (self.x[1] - self.x[0])
        along = (y - self.y[0]) / (self.y[1] - self.y[0])
        return left + across * (right - left), bottom - along * (bottom - top)

    def path(self, x: Vector, y: Vector) -> list[Point]:
        """Return where (N,) pairs are drawn, without those that are not finite."""
        return [self.at(*pair) for pair in zip(x.tolist(), y.tolist(), strict=True) if np.isfinite(pair).all()]


def spanned(values: Iterable[Vector], least: float) -> Range:
    """Return a range that holds all finite values with some room, and is at least so wide."""
    joined = np.concatenate([np.asarray(each, dtype=np.float64).ravel() for each in values])
    finite = joined[np.isfinite(joined)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 0.0)
    lacking = max(least - (high - low), 0.0) / 2
    pad = _PAD * max(high - low, least)
    return low - lacking - pad, high + lacking + pad


def ticks(span: Range, most: int) -> tuple[float, ...]:
    """Return round values within a range, at most so many.

    Examples
    --------
    >>> ticks((-3.1, 1.2), 5)
    (-3.0, -2.0, -1.0, 0.0, 1.0)
    >>> ticks((41.3, 47.9), 4)
    (42.0, 44.0, 46.0)
    """
    low, high = span
    rough = (high - low) / most
    power = 10.0 ** floor(log10(rough))
    step = next(s * power for s in _STEPS if _count(span, s * power) <= most)
    return tuple(round(n * step, 9) for n in range(ceil(low / step), floor(high / step) + 1))


def _count(span: Range, step: float) -> int:
    return floor(span[1] / step) - ceil(span[0] / step) + 1


def ruled(axes: Axes, x_ticks: Iterable[tuple[float, str]], y_ticks: Iterable[tuple[float, str]]) -> Iterator[str]:
    """Yield the rectangle, its ruling, and the words beside it; an empty word rules without a word."""
    (left, top), (right, bottom) = axes.left_top, axes.right_bottom
    yield polygon([(left, top), (right, top), (right, bottom), (left, bottom)], "pane")
    for value, name in x_ticks:
        x, _ = axes.at(value, axes.y[0])
        yield line((x, top), (x, bottom), "rule")
        if name:
            yield words((x, bottom + 14), name, "tick")
    for value, name in y_ticks:
        _, y = axes.at(axes.x[0], value)
        yield line((left, y), (right, y), "rule")
        yield words((left - 5, y + 4), name, "tick", "end")
