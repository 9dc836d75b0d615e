"""Words in a figure that keep clear of each other."""

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from apexfix.report.svg import Point, words

# What letters take up, in ems of a wide bold face and on the safe side: a figure does not know its reader's letters.
_WIDE, _USUAL, _NARROW = 1.11, 0.87, 0.5
_NARROW_LETTERS: Final = frozenset("iljtfrI.,:;'|!()[] -")
_WIDE_LETTERS: Final = frozenset("mwMWOQG@%&#+−±<=>~^…")
_FIRST_FULL_WIDTH: Final = "\u2e80"  # East Asian letters fill an em
_BOLD: Final = "name"  # the style that is written bold
_BOLD_PIXELS, _PIXELS = 13.0, 11.0  # of an em; what is not bold is a size smaller, and its letters a tenth narrower
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
    style: str = "small"

    def drawn(self) -> str:
        """Return the words as SVG."""
        return words(self.at, self.content, self.style, self.anchor)


def clear(candidates: Iterable[Label], taken: Sequence[Box]) -> Label:
    """Return the first candidate that hides nothing of what stands already, else the first of all."""
    wishes = tuple(candidates)
    return next((wish for wish in wishes if not any(_meet(box_of(wish), other) for other in taken)), wishes[0])


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def around(at: Point, content: str, style: str) -> Iterable[Label]:
    """Yield places for words about a point, the nearest first."""
    x, y = at
    return (
        Label((x + ring * right, y + ring * down), content, anchor, style) for ring in _RINGS for right, down, anchor in _AROUND
    )


def within(label: Label, width: float) -> Label:
    """Return a label moved sideways into a figure."""
    left, _, right, _ = box_of(label)
    shift = max(0.0, 2 - left) - max(0.0, right - width + 2)
    return label._replace(at=(label.at[0] + shift, label.at[1]))


def box_of(label: Label) -> Box:
    """Return what the words of a label take up, by and large."""
    (x, y), long = label.at, width(label.content, label.style)
    left = x - {"start": 0.0, "middle": long / 2, "end": long}[label.anchor]
    return Box(left, y - _ASCENT, left + long, y + _DESCENT)


def width(content: str, style: str) -> float:
    """Return how many pixels words take up at most, by and large."""
    return (_BOLD_PIXELS if style == _BOLD else _PIXELS) * sum(map(_ems, content))


def _ems(letter: str) -> float:
    if letter in _WIDE_LETTERS or letter >= _FIRST_FULL_WIDTH:
        return _WIDE
    return _NARROW if letter in _NARROW_LETTERS else _USUAL


def box_about(at: Point, radius: float) -> Box:
    """Return what a mark takes up."""
    return Box(at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius)


def spread(heights: Sequence[float], apart: float) -> list[float]:
    """Return heights, which must rise, moved as little as it takes to be so far apart; what meets stays about its middle.

    Examples
    --------
    >>> spread([10.0, 12.0, 50.0], 14.0)
    [4.0, 18.0, 50.0]
    """
    groups: list[list[float]] = []
    for height in heights:
        groups.append([height])
        while len(groups) > 1 and _begin(groups[-1], apart) < _begin(groups[-2], apart) + apart * len(groups[-2]):
            groups[-2:] = [groups[-2] + groups[-1]]
    return [_begin(group, apart) + apart * n for group in groups for n in range(len(group))]


def _begin(group: Sequence[float], apart: float) -> float:
    return sum(group) / len(group) - apart * (len(group) - 1) / 2
