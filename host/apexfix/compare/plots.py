"""The pictures of a comparison: difference against mean, one height against the other, and each log with what was masked."""

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from apexfix.compare.altimeter import ControlFlight
from apexfix.compare.answer import Compared, Comparison
from apexfix.compare.barometer import true_gain
from apexfix.model import Vector
from apexfix.report.axes import Axes, ruled, spanned
from apexfix.report.error_bars import error_bar, named_ticks
from apexfix.report.labels import Box, Label, around, box_about, box_of, clear, spread
from apexfix.report.svg import Point, circle, drawing, line, path, polygon, words

_WIDE: Final = 400.0  # pixels of a plot
_FOOT: Final = 44.0  # below a pane, for its scale and its name
_PANE: Final = ((46.0, 30.0), (388.0, 256.0))
_LEVELS: Final = (302.0, 8.0, 333.0)  # right end of the pane beside named levels, from there to each bar, and the names
_LINE: Final = 14.0  # pixels that a line of text takes up
_LOG_WIDE: Final = 360.0
_LOG_PANE: Final = ((46.0, 30.0), (350.0, 206.0))
_MOST_LABELS: Final = 60  # more numbers than this on one plot hide each other
_BEYOND_APEX: Final = (1.5, 8.0)  # of the climb's duration, and s: the rest of the descent says nothing
_MOST_POINTS: Final = 700  # of a log; more than a screen is wide


def difference_plot(told: Comparison) -> str:
    """Return the differences against the means of both heights, with bias and limits of agreement and their intervals."""
    mean = np.array([(row.ground_m + row.control_m) / 2 for row in told.compared])
    difference = np.array([row.difference_m for row in told.compared])
    half = np.array([2 * np.hypot(row.sigma_ground_m, row.sigma_control_m) for row in told.compared])
    bands = _bands(told)
    low_high = [np.array([low, high]) for low, high, _, _ in bands]
    up = spanned([difference - half, difference + half, np.zeros(1), *low_high], 2.0)
    axes = Axes(_PANE[0], (_LEVELS[0], _PANE[1][1]), spanned([mean], 20.0), up)
    shapes = [*_scales(axes), line(axes.at(axes.x[0], 0), axes.at(axes.x[1], 0), "ground"), *_levels(axes, bands)]
    shapes += _bars(axes, mean, difference, half)
    shapes += [circle(axes.at(*pair), 4, "apex") for pair in zip(mean.tolist(), difference.tolist(), strict=True)]
    bars = _uprights(axes, mean, difference, half)
    across = [_strip(axes, value) for value in (0.0, *(value for _, _, value, _ in bands))]
    shapes += _numbered([_ends_of(bar, name) for bar, name in zip(bars, _names(told), strict=True)], [*bars, *across])
    return _sheet("Difference against mean height", axes, shapes, ("mean of both heights in m", "ground less altimeter in m"))


def _bands(told: Comparison) -> list[tuple[float, float, float, str]]:
    """Return what is ruled across, from the top: ends of its interval, value, name."""
    found = []
    if told.limits is not None:
        found.append((*told.limits.high_interval95, told.limits.high, "limit"))
    if told.bias is not None:
        found.append((*told.bias.interval95, told.bias.mean, "bias"))
    if told.limits is not None:
        found.append((*told.limits.low_interval95, told.limits.low, "limit"))
    return found


def _levels(axes: Axes, bands: Sequence[tuple[float, float, float, str]]) -> list[str]:
    """Return each level across the pane, with the bar of its interval and its name beside the pane."""
    right, step, names = _LEVELS
    shapes = []
    heights = spread([axes.at(0, value)[1] for _, _, value, _ in bands], _LINE)
    for place, ((low, high, value, name), height) in enumerate(zip(bands, heights, strict=True), 1):
        start, (_, y) = axes.at(axes.x[0], value), axes.at(0, value)
        bar = right + step * place
        shapes += [line(start, (bar, y), "sight dashed"), line((bar, y), (names - 2, height), "leader")]
        shapes += error_bar(axes, axes.x[1] + (bar - right) * (axes.x[1] - axes.x[0]) / (right - _PANE[0][0]), (low, high), "sight")
        shapes.append(words((names, height + 4), f"{name} {value:+z.1f}", "small", "start"))
    return shapes


def _band(axes: Axes, low: float, high: float) -> list[Point]:
    (left, right), (below, above) = axes.x, (max(low, axes.y[0]), min(high, axes.y[1]))
    return [axes.at(left, below), axes.at(right, below), axes.at(right, above), axes.at(left, above)]


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
    half = np.array([2 * row.sigma_ground_m for row in told.compared])
    shapes += _bars(axes, control, ground, half)
    for row in told.compared:
        ends = [axes.at(row.control_m + side * 2 * row.sigma_control_m, row.ground_m) for side in (-1, 1)]
        shapes.append(line(ends[0], ends[1], "mast"))
    discs = [axes.at(*pair) for pair in zip(control.tolist(), ground.tolist(), strict=True)]
    shapes += [circle(at, 4, "apex") for at in discs]
    even = [box_about(axes.at(value, value), 3) for value in np.linspace(*both, 80).tolist()]
    hidden = [*even, *_uprights(axes, control, ground, half), *(box_about(at, 4) for at in discs)]
    shapes += _numbered([around(at, name, "small") for at, name in zip(discs, _names(told), strict=True)], hidden)
    return _sheet("One height against the other", axes, shapes, ("altimeter in m", "ground in m"))


def log_plot(row: Compared) -> str:
    """Return one log above the pad, its masked samples, its apex, and the height from the ground with two sigmas."""
    control, trace = row.control, row.control.trace
    assert trace is not None
    height = _in_air(control, trace.height_m)
    kept = ~trace.spike
    level = np.array([row.ground_m - 2 * row.sigma_ground_m, row.ground_m + 2 * row.sigma_ground_m])
    until_s = trace.top.time_s + _BEYOND_APEX[0] * (trace.top.time_s - trace.launch_s) + _BEYOND_APEX[1]
    shown = trace.time_s <= until_s
    low, high = spanned([height[kept & shown], level], 10.0)
    up = low, high + _LINE * (high - low) / (_LOG_PANE[1][1] - _LOG_PANE[0][1])  # a line of text above all
    axes = Axes(*_LOG_PANE, (float(trace.time_s[0]), float(trace.time_s[shown][-1])), up)
    shapes = [*_scales(axes), polygon(_band(axes, *level.tolist()), "error")]
    drawn = np.flatnonzero(kept & shown)[:: max(1, int(shown.sum()) // _MOST_POINTS)]
    shapes.append(path(axes.path(trace.time_s[drawn], height[drawn]), "held"))
    masked = axes.path(trace.time_s[~kept & shown], np.clip(height[~kept & shown], *axes.y))
    shapes += [_cross(at) for at in masked]
    shapes.append(circle(axes.at(trace.top.time_s, row.control_m), 4, "station"))
    right, top = axes.at(axes.x[1], float(level[1]))
    shapes.append(words((right - 4, top - 4), "from the ground", "small", "end"))
    return _sheet(f"Flight {row.flight}: the altimeter's log", axes, shapes, ("seconds of the log", "m above the pad"))


def _in_air(control: ControlFlight, indicated_m: Vector) -> Vector:
    return indicated_m if control.air is None else true_gain(indicated_m, control.air)


def _cross(at: Point) -> str:
    (x, y), r = at, 3.0
    return line((x - r, y - r), (x + r, y + r), "residual") + line((x - r, y + r), (x + r, y - r), "residual")


def _bars(axes: Axes, x: Vector, y: Vector, half: Vector) -> list[str]:
    ends = zip((y - half).tolist(), (y + half).tolist(), strict=True)
    return [shape for centre, pair in zip(x.tolist(), ends, strict=True) for shape in error_bar(axes, centre, pair, "mast")]


def _uprights(axes: Axes, x: Vector, y: Vector, half: Vector) -> list[Box]:
    """Return what upright bars take up."""
    tops = [axes.at(*pair) for pair in zip(x.tolist(), (y + half).tolist(), strict=True)]
    feet = [axes.at(*pair) for pair in zip(x.tolist(), (y - half).tolist(), strict=True)]
    return [Box(px - 2, top, px + 2, foot) for (px, top), (_, foot) in zip(tops, feet, strict=True)]


def _strip(axes: Axes, value: float) -> Box:
    """Return what a line right across takes up."""
    (left, y), (right, _) = axes.at(axes.x[0], value), axes.at(axes.x[1], value)
    return Box(left, y - 1, right, y + 1)


def _names(told: Comparison) -> tuple[str, ...]:
    return tuple(str(row.flight) for row in told.compared)


def _ends_of(bar: Box, name: str) -> Iterable[Label]:
    """Yield places for words above and below an upright bar."""
    x = (bar.left + bar.right) / 2
    return (Label((x, y), name) for n in range(3) for y in (bar.top - 5 - n * _LINE, bar.bottom + 14 + n * _LINE))


def _numbered(places: Sequence[Iterable[Label]], hidden: Iterable[Box]) -> list[str]:
    """Return the numbers of flights, each at the first of its places that hides nothing."""
    shapes, taken = [], list(hidden)
    for candidates in places if len(places) <= _MOST_LABELS else ():
        label = clear(candidates, taken)
        taken.append(box_of(label))
        shapes.append(label.drawn())
    return shapes


def _scales(axes: Axes) -> list[str]:
    return list(ruled(axes, named_ticks(axes.x), named_ticks(axes.y)))


def _sheet(title: str, axes: Axes, shapes: Sequence[str], sides: tuple[str, str]) -> str:
    (left, top), (right, bottom) = axes.left_top, axes.right_bottom
    names = [words(((left + right) / 2, bottom + 32), sides[0], "small"), words((left, top - 10), sides[1], "small", "start")]
    return drawing(_LOG_WIDE if axes.right_bottom == _LOG_PANE[1] else _WIDE, bottom + _FOOT, title, [*shapes, *names])
