"""Words in a figure that keep clear of each other."""

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from apexfix.report.svg import Point, words

_LETTER: Final = 7.8  # pixels that a letter of 12 or 13 takes up, on the safe side
_ASCENT, _DESCENT = 11.0, 3.0
_AROUND: Final = ((6, -5, "start"), (-6, -5, "end"), (6, 14, "start"), (-6, 14, "end"), (0, -9, "middle"), (0, 19, "middle"))
_RINGS: Final = (1.0, 2.2, 3.4, 4.6)


class Box(NamedTuple):
    """Pixels that something takes up."""

    left: float
    top: float
    right: float
    bottom: float


class Label(NamedTuple):
    """Words at a place; the anchor is start, middle or end."""

    at: Point
    content: str
    anchor: str = "middle"

    def drawn(self, style: str) -> str:
        """Return the words as SVG."""
        return words(self.at, self.content, style, self.anchor)


def clear(candidates: Iterable[Label], taken: Sequence[Box]) -> Label:
    """Return the first candidate that hides nothing of what stands already, else the first of all."""
    wishes = tuple(candidates)
    return next((wish for wish in wishes if not any(_meet(box_of(wish), other) for other in taken)), wishes[0])


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def around(at: Point, content: str) -> Iterable[Label]:
    """Yield places for words about a point, the nearest first."""
    x, y = at
    return (Label((x + ring * right, y + ring * down), content, anchor) for ring in _RINGS for right, down, anchor in _AROUND)


def within(label: Label, width: float) -> Label:
    """Return a label moved sideways into a figure."""
    left, _, right, _ = box_of(label)
    shift = max(0.0, 2 - left) - max(0.0, right - width + 2)
    return label._replace(at=(label.at[0] + shift, label.at[1]))


def box_of(label: Label) -> Box:
    """Return what the words of a label take up, by and large: a figure does not know its reader's letters."""
    (x, y), long = label.at, len(label.content) * _LETTER
    left = x - {"start": 0.0, "middle": long / 2, "end": long}[label.anchor]
    return Box(left, y - _ASCENT, left + long, y + _DESCENT)


def box_about(at: Point, radius: float) -> Box:
    """Return what a mark takes up."""
    return Box(at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius)
