"""Error bars, and the round numbers beside a scale."""

from apexfix.report.axes import Axes, Range, ticks
from apexfix.report.svg import line

_STROKE = 4.0  # half the cross-stroke, in pixels


def error_bar(axes: Axes, x: float, ends: Range, style: str) -> list[str]:
    """Return an upright bar from end to end with a stroke at each; what is beyond the rectangle ends at its edge."""
    (px, bottom), (_, top) = axes.at(x, max(ends[0], axes.y[0])), axes.at(x, min(ends[1], axes.y[1]))
    strokes = [line((px - _STROKE, y), (px + _STROKE, y), style) for y in (bottom, top)]
    return [line((px, bottom), (px, top), style), *strokes]


def named_ticks(span: Range, most: int = 7) -> list[tuple[float, str]]:
    """Return round values within a range with their names.

    Examples
    --------
    >>> named_ticks((-3.1, 1.2), 3)
    [(-2.0, '-2'), (0.0, '0')]
    """
    return [(value, f"{value:g}") for value in ticks(span, most)]
