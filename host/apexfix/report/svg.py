"""A few shapes of SVG as text. Coordinates are pixels; texts are escaped here, so nothing that a person named becomes markup."""

from collections.abc import Iterable
from html import escape

Point = tuple[float, float]


def drawing(width: float, height: float, title: str, shapes: Iterable[str]) -> str:
    """Return an SVG element that takes the width it is given."""
    body = "".join(shapes)
    return f'<svg viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(title)}">{body}</svg>'


def line(start: Point, end: Point, style: str) -> str:
    """Return a straight line; `style` names a CSS class."""
    (x1, y1), (x2, y2) = start, end
    return f'<line class="{style}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def circle(centre: Point, radius: float, style: str) -> str:
    """Return a circle."""
    return f'<circle class="{style}" cx="{centre[0]:.1f}" cy="{centre[1]:.1f}" r="{radius:g}"/>'


def polygon(corners: Iterable[Point], style: str) -> str:
    """Return a closed shape."""
    return f'<polygon class="{style}" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in corners)}"/>'


def path(points: Iterable[Point], style: str) -> str:
    """Return an open line through points."""
    return f'<polyline class="{style}" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in points)}"/>'


def words(at: Point, content: str, style: str = "", anchor: str = "middle") -> str:
    """Return a text; `anchor` is start, middle or end."""
    return f'<text class="{style}" x="{at[0]:.1f}" y="{at[1]:.1f}" text-anchor="{anchor}">{escape(content)}</text>'
