"""A drawing on a sheet: lines, circles, texts and dimensions, written as SVG.

Sizes are millimetres of the thing drawn, and y grows upward."""

from dataclasses import dataclass, field
from html import escape
from math import copysign, hypot

INK, THIN, FILL, HELP, WARN = "#1b1b1b", "#666666", "#eef1f4", "#0b5394", "#a61c00"

PLASTIC, TUBE, WOOD, BOARD = FILL, "#dfe7f5", "#f3e6cf", "#dcefe0"
SUN = "THE SUN BLINDS: open sights only, never a lens. Never follow a model through the Sun."


def number(value: float) -> str:
    """Return a size as it is written on a drawing: 84, 26.1.

    >>> number(84.0), number(26.14)
    ('84', '26.1')
    """
    return f"{value:.1f}".rstrip("0").rstrip(".") if value else "0"


Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class View:
    """Where a view's origin lies on the sheet, and how large it is drawn."""

    x: float
    y: float
    scale: float = 2.0

    def at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        return self.x + self.scale * x_mm, self.y - self.scale * y_mm


@dataclass(slots=True)
class Sheet:
    """Collects the elements of one drawing; `svg()` writes them."""

    width: float
    height: float
    title: str
    _elements: list[str] = field(default_factory=list)

    def svg(self) -> str:
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(self.width)} {number(self.height)}" '
            f'font-family="DejaVu Sans, Helvetica, Arial, sans-serif" role="img">\n<title>{escape(self.title)}</title>\n'
            '<rect width="100%" height="100%" fill="#ffffff"/>\n'
        )
        return head + "\n".join(self._elements) + "\n</svg>\n"

    def raw(self, element: str) -> None:
        self._elements.append(element)

    def text(self, x: float, y: float, words: str, size: float = 11, **style: str) -> None:
        """Words at a place of the sheet. `anchor`, `colour`, `weight`, `turn` (degrees) may be given."""
        turn = f' transform="rotate({style["turn"]} {number(x)} {number(y)})"' if "turn" in style else ""
        self.raw(
            f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}" text-anchor="{style.get("anchor", "start")}" '
            f'fill="{style.get("colour", INK)}" font-weight="{style.get("weight", "normal")}"{turn}>{escape(words)}</text>'
        )

    def path(self, points: list[Point], closed: bool = True, fill: str = FILL, stroke: str = INK, **more: str) -> None:
        """A line through places of the sheet. `width` and `dash` may be given."""
        dash = f' stroke-dasharray="{more["dash"]}"' if "dash" in more else ""
        d = "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points) + ("Z" if closed else "")
        self.raw(
            f'<path d="{d}" fill="{fill if closed else "none"}" stroke="{stroke}" stroke-width="{more.get("width", "1.3")}"'
            f' stroke-linejoin="round"{dash}/>'
        )

    def polygon(self, view: View, points: list[tuple[float, float]], fill: str = FILL, **more: str) -> None:
        self.path([view.at(*point) for point in points], fill=fill, **more)

    def box(self, view: View, x: float, y: float, width: float, height: float, fill: str = FILL, **more: str) -> None:
        self.polygon(view, [(x, y), (x + width, y), (x + width, y + height), (x, y + height)], fill, **more)

    def circle(self, view: View, x: float, y: float, diameter: float, fill: str = FILL, **more: str) -> None:
        cx, cy = view.at(x, y)
        dash = f' stroke-dasharray="{more["dash"]}"' if "dash" in more else ""
        self.raw(
            f'<circle cx="{number(cx)}" cy="{number(cy)}" r="{number(view.scale * diameter / 2)}" fill="{fill}" '
            f'stroke="{more.get("stroke", INK)}" stroke-width="{more.get("width", "1.3")}"{dash}/>'
        )

    def axis(self, view: View, start: tuple[float, float], end: tuple[float, float]) -> None:
        """A centre line."""
        self.path([view.at(*start), view.at(*end)], closed=False, stroke=HELP, width="0.8", dash="9 3 2 3")

    def note(self, view: View, place: tuple[float, float], words: str, shift: tuple[float, float], **style: str) -> None:
        """Words beside a place of the view, with a leader; the shift is in units of the sheet."""
        x, y = view.at(*place)
        self.path([(x, y), (x + shift[0], y + shift[1])], closed=False, stroke=THIN, width="0.7")
        side = "start" if shift[0] >= 0 else "end"
        self.text(x + shift[0] + copysign(3, shift[0]), y + shift[1] + 4, words, 10.5, anchor=side, **style)

    def across(self, view: View, x0: float, x1: float, y: float, off: float, words: str = "") -> None:
        """A horizontal dimension from x0 to x1, `off` sheet units below (above when negative) the height y."""
        self._dimension(view.at(x0, y), view.at(x1, y), (0, off), words or number(abs(x1 - x0)))

    def along(self, view: View, y0: float, y1: float, x: float, off: float, words: str = "") -> None:
        """A vertical dimension from y0 to y1, `off` sheet units right (left when negative) of x."""
        self._dimension(view.at(x, y0), view.at(x, y1), (off, 0), words or number(abs(y1 - y0)))

    def _dimension(self, a: tuple[float, float], b: tuple[float, float], off: tuple[float, float], words: str) -> None:
        p, q = (a[0] + off[0], a[1] + off[1]), (b[0] + off[0], b[1] + off[1])
        for near, far in ((a, p), (b, q)):
            self.path(
                [near, (far[0] + copysign(3, off[0]) * bool(off[0]), far[1] + copysign(3, off[1]) * bool(off[1]))],
                closed=False,
                stroke=THIN,
                width="0.5",
            )
        self.path([p, q], closed=False, stroke=THIN, width="0.8")
        length = hypot(q[0] - p[0], q[1] - p[1]) or 1
        ux, uy = (q[0] - p[0]) / length, (q[1] - p[1]) / length
        for tip, sign in ((p, 1), (q, -1)):
            wings = [(tip[0] + sign * (6 * ux - side * 2 * uy), tip[1] + sign * (6 * uy + side * 2 * ux)) for side in (1, -1)]
            self.path([tip, *wings], fill=THIN, stroke=THIN, width="0.5")
        middle = ((p[0] + q[0]) / 2, (p[1] + q[1]) / 2)
        if off[0]:
            x = middle[0] - 3
            self.text(x, middle[1], words, 10.5, anchor="middle", turn="-90")
        else:
            self.text(middle[0], middle[1] - 3, words, 10.5, anchor="middle")


def titled(width: float, height: float, title: str, below: str) -> Sheet:
    """Return an empty sheet with its title and the line below it."""
    sheet = Sheet(width, height, title)
    sheet.text(24, 32, title, 17, weight="bold")
    sheet.text(24, 50, below, 11, colour=THIN)
    return sheet
