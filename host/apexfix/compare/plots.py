"""The pictures of a comparison: difference against mean, one height against the other, and each log with what was masked."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from apexfix.compare.altimeter import ControlFlight
from apexfix.compare.answer import Compared, Comparison
from apexfix.compare.barometer import true_gain
from apexfix.model import Vector
from apexfix.report.axes import Axes, ruled, spanned
from apexfix.report.error_bars import error_bar, named_ticks
from apexfix.report.svg import Point, circle, drawing, line, path, polygon, words

_SIZE: Final = (480.0, 320.0)
_PANE: Final = ((56.0, 30.0), (466.0, 270.0))
_NAMES: Final = 0.55  # room for the names of the limits, as a share of the span of the flights
_BEYOND_APEX: Final = (1.5, 8.0)  # of the climb's duration, and s: the rest of the descent says nothing
_MOST_POINTS: Final = 700  # of a log; more than a screen is wide


def difference_plot(told: Comparison) -> str:
    """Return the differences against the means of both heights, with bias and limits of agreement and their intervals."""
    mean = np.array([(row.ground_m + row.control_m) / 2 for row in told.compared])
    difference = np.array([row.difference_m for row in told.compared])
    half = np.array([2 * np.hypot(row.sigma_ground_m, row.sigma_control_m) for row in told.compared])
    bands = _bands(told)
    low_high = [np.array([low, high]) for low, high, _, _ in bands]
    left, right = spanned([mean], 20.0)
    names_m = _NAMES * (right - left)  # at the right edge, beside all flights
    axes = Axes(*_PANE, (left, right + names_m), spanned([difference - half, difference + half, np.zeros(1), *low_high], 2.0))
    shapes = [*_scales(axes)]
    for place, (low, high, value, name) in enumerate(bands):
        shapes += _level(axes, value, name)
        shapes += error_bar(axes, right + names_m * (0.06 + 0.05 * place), (low, high), "sight")
    shapes.append(line(axes.at(axes.x[0], 0), axes.at(axes.x[1], 0), "ground"))
    shapes += _bars(axes, mean, difference, half)
    shapes += _numbered(axes, told.compared, mean, difference)
    return _sheet("Difference against mean height", shapes, ("mean of both heights in m", "ground less altimeter in m"))


def _bands(told: Comparison) -> list[tuple[float, float, float, str]]:
    """Return what is ruled across: ends of its interval, value, name."""
    found = []
    if told.limits is not None:
        found.append((*told.limits.low_interval95, told.limits.low, "lower limit"))
        found.append((*told.limits.high_interval95, told.limits.high, "upper limit"))
    if told.bias is not None:
        found.append((*told.bias.interval95, told.bias.mean, "bias"))
    return found


def _band(axes: Axes, low: float, high: float) -> list[Point]:
    (left, right), (below, above) = axes.x, (max(low, axes.y[0]), min(high, axes.y[1]))
    return [axes.at(left, below), axes.at(right, below), axes.at(right, above), axes.at(left, above)]


def _level(axes: Axes, value: float, name: str) -> list[str]:
    x, y = axes.at(axes.x[1], value)
    shown = f"{name} {value:+.1f}"
    return [line(axes.at(axes.x[0], value), (x, y), "sight dashed"), words((x - 3, y - 4), shown, "small", "end")]


def scatter_plot(told: Comparison) -> str:
    """Return the ground's heights over the altimeter's, with the line of equality and Deming's where there is one."""
    control, ground = (np.array([getattr(row, name) for row in told.compared]) for name in ("control_m", "ground_m"))
    both = spanned([control, ground], 20.0)
    axes = Axes(*_PANE, both, both)
    shapes = [*_scales(axes), line(axes.at(both[0], both[0]), axes.at(both[1], both[1]), "ground")]
    if told.line is not None:
        x = np.linspace(*both, 50)
        y = told.line.intercept + told.line.slope * x
        inside = (y >= both[0]) & (y <= both[1])
        shapes.append(path(axes.path(x[inside], y[inside]), "arc"))
    shapes += _bars(axes, control, ground, np.array([2 * row.sigma_ground_m for row in told.compared]))
    for row in told.compared:
        ends = [axes.at(row.control_m + side * 2 * row.sigma_control_m, row.ground_m) for side in (-1, 1)]
        shapes.append(line(ends[0], ends[1], "plumb"))
    shapes += _numbered(axes, told.compared, control, ground)
    return _sheet("One height against the other", shapes, ("altimeter in m", "ground in m"))


def log_plot(row: Compared) -> str:
    """Return one log above the pad, its masked samples, its apex, and the height from the ground with two sigmas."""
    control, trace = row.control, row.control.trace
    assert trace is not None
    height = _in_air(control, trace.height_m)
    kept = ~trace.spike
    level = np.array([row.ground_m - 2 * row.sigma_ground_m, row.ground_m + 2 * row.sigma_ground_m])
    until_s = trace.top.time_s + _BEYOND_APEX[0] * (trace.top.time_s - trace.launch_s) + _BEYOND_APEX[1]
    shown = trace.time_s <= until_s
    axes = Axes(*_PANE, (float(trace.time_s[0]), float(trace.time_s[shown][-1])), spanned([height[kept & shown], level], 10.0))
    shapes = [*_scales(axes), polygon(_band(axes, *level.tolist()), "error")]
    drawn = np.flatnonzero(kept & shown)[:: max(1, int(shown.sum()) // _MOST_POINTS)]
    shapes.append(path(axes.path(trace.time_s[drawn], height[drawn]), "held"))
    masked = axes.path(trace.time_s[~kept & shown], np.clip(height[~kept & shown], *axes.y))
    shapes += [_cross(at) for at in masked]
    shapes.append(circle(axes.at(trace.top.time_s, row.control_m), 4, "station"))
    label = axes.at(axes.x[1], row.ground_m)
    shapes.append(words((label[0] - 4, label[1] - 5), "from the ground", "small", "end"))
    return _sheet(f"Flight {row.flight}: the altimeter's log", shapes, ("seconds of the log", "m above the pad"))


def _in_air(control: ControlFlight, indicated_m: Vector) -> Vector:
    return indicated_m if control.air is None else true_gain(indicated_m, control.air)


def _cross(at: Point) -> str:
    (x, y), r = at, 3.0
    return line((x - r, y - r), (x + r, y + r), "residual") + line((x - r, y + r), (x + r, y - r), "residual")


def _bars(axes: Axes, x: Vector, y: Vector, half: Vector) -> list[str]:
    ends = zip((y - half).tolist(), (y + half).tolist(), strict=True)
    return [shape for centre, pair in zip(x.tolist(), ends, strict=True) for shape in error_bar(axes, centre, pair, "plumb")]


def _numbered(axes: Axes, rows: Sequence[Compared], x: Vector, y: Vector) -> list[str]:
    shapes = [circle(axes.at(*pair), 4, "apex") for pair in zip(x.tolist(), y.tolist(), strict=True)]
    for row, a, b in zip(rows, x.tolist(), y.tolist(), strict=True):
        px, py = axes.at(a, b)
        shapes.append(words((px + 6, py - 5), str(row.flight), "small", "start"))
    return shapes


def _scales(axes: Axes) -> list[str]:
    return list(ruled(axes, named_ticks(axes.x), named_ticks(axes.y)))


def _sheet(title: str, shapes: Sequence[str], sides: tuple[str, str]) -> str:
    (left, top), (right, _) = _PANE
    names = [words(((left + right) / 2, _SIZE[1] - 14), sides[0], "small"), words((left, top - 10), sides[1], "small", "start")]
    return drawing(*_SIZE, title, [*shapes, *names])
