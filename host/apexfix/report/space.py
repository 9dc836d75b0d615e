"""The day in space: ground, stations, apexes and what is below them. space.js turns it; without a script it is a plain figure.

Every element carries its place in metres in `data-at`, so that the script needs no data of its own and no name passes through it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from math import cos, sin
from typing import Final

import numpy as np

from apexfix.model import DayResult, Vector
from apexfix.report.axes import ticks
from apexfix.report.labels import Box, Label, around, box_about, box_of, clear, within
from apexfix.report.rounding import PLAIN, Manner, unit_word
from apexfix.report.svg import Point
from apexfix.units import DEG, FOOT

_SIZE: Final = (400.0, 400.0)
_HEADING_DEG: Final = 30.0  # of the look, at first
_TILT_DEG: Final = 20.0  # of the look, downwards
_MARGIN: Final = 26.0
_SMALLEST_M: Final = 20.0
_MOST_LABELS: Final = 30
_LONGEST_NAME: Final = 16


@dataclass(frozen=True, slots=True)
class View:
    """From metres to pixels at the first look; space.js does the same for every other."""

    reach_m: float  # of the farthest place from the pad, over the ground
    top_m: float
    scale: float  # pixels in a metre

    def at(self, place_m: Vector) -> Point:
        """Return where a (3,) place is drawn."""
        heading, tilt = _HEADING_DEG * DEG, _TILT_DEG * DEG
        east, north, up = (float(value) for value in place_m)
        right = east * cos(heading) - north * sin(heading)
        ahead = east * sin(heading) + north * cos(heading)
        above = (up - self.top_m / 2) * cos(tilt) + ahead * sin(tilt)
        return _SIZE[0] / 2 + right * self.scale, _SIZE[1] / 2 - above * self.scale


def view_of(places_m: Sequence[Vector]) -> View:
    """Return a view that holds (3,) places and the pad, whichever way it is turned."""
    reach_m = max([_SMALLEST_M, *(float(np.hypot(*place[:2])) for place in places_m)])
    top_m = max([_SMALLEST_M, *(float(place[2]) for place in places_m)])
    return View(reach_m, top_m, (min(_SIZE) / 2 - _MARGIN) / float(np.hypot(reach_m, top_m / 2)))


def space_view(day: DayResult, manner: Manner = PLAIN) -> str:
    """Return the whole day seen from outside and above, to scale, as SVG."""
    apexes = [(str(result.flight), result.position_m) for result in day.flights if result.position_m is not None]
    stations = [(station.id, station.position_m) for station in day.site.stations]
    view = view_of([place for _, place in (*apexes, *stations)])
    taken = [box_about(view.at(place), 4) for _, place in (*stations, *apexes)]
    shapes = [*_ground(view, manner, taken), *_mast(view, manner, taken)]
    shapes += [_path(view, [place * [1, 1, 0], place], "plumb") for _, place in apexes]
    shapes += [_dot(view, place, 2.5, "apex") for _, place in apexes]
    shapes += [_dot(view, place, 5, "station") for _, place in stations]
    shapes += _names(view, stations, "name", taken)
    shapes += _names(view, apexes if len(apexes) <= _MOST_LABELS else [], "number", taken)
    head = f'viewBox="0 0 {_SIZE[0]:g} {_SIZE[1]:g}" role="img" aria-label="{escape(day.site.name)} in space"'
    look = f'data-heading="{_HEADING_DEG:g}" data-tilt="{_TILT_DEG:g}"'
    size = f'data-scale="{view.scale:.5g}" data-middle="{view.top_m / 2:.5g}"'
    return f'<svg class="space" {head} {look} {size}>{"".join(shapes)}</svg>'


def _ground(view: View, manner: Manner, taken: list[Box]) -> list[str]:
    """Return rings about the pad at round distances, a cross through it, and the way north."""
    unit_m = FOOT if manner.feet else 1.0
    rings = [ring * unit_m for ring in ticks((0.0, view.reach_m / unit_m), 4) if ring > 0]
    turn = np.linspace(0, 2 * np.pi, 49)
    circle = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    north, east = np.array([0.0, rings[-1], 0.0]), np.array([rings[-1], 0.0, 0.0])
    drawn = [_path(view, circle * ring, "ring") for ring in rings]
    drawn += [_path(view, [-north, north], "ring"), _path(view, [-east, east], "ring")]
    return [*drawn, *_names(view, [("N", north)], "name", taken)]


def _mast(view: View, manner: Manner, taken: list[Box]) -> list[str]:
    """Return an upright with round heights, at the left of the field as it is seen first."""
    foot = view.reach_m * np.array([-cos(_HEADING_DEG * DEG), sin(_HEADING_DEG * DEG), 0.0])
    unit_m = FOOT if manner.feet else 1.0
    heights = [height for height in ticks((0.0, view.top_m / unit_m), 5) if height > 0]
    places = [np.array([*foot[:2], height * unit_m]) for height in heights]
    drawn = [_path(view, [foot, np.array([*foot[:2], view.top_m])], "mast")]
    for height, place in zip(heights, places, strict=True):
        (x, y), name = view.at(place), f"{height:g} {unit_word(manner)}"
        taken.append(box_of(Label((x + 6, y + 4), name, "start")))
        drawn += [_dot(view, place, 2, "pad"), _words(view, place, name, (6.0, 4.0), "small", "start")]
    return drawn


def _names(view: View, places: Sequence[tuple[str, Vector]], style: str, taken: list[Box]) -> list[str]:
    """Return names beside their places, clear of all that stands already, which they are added to."""
    drawn = []
    for name, place in places:
        x, y = view.at(place)
        short = name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"
        label = within(clear(around((x, y), short, style), taken), _SIZE[0])
        taken.append(box_of(label))
        drawn.append(_words(view, place, short, (label.at[0] - x, label.at[1] - y), style, label.anchor))
    return drawn


# --- elements that know their place ---------------------------------------------------------------------------------


def _path(view: View, places_m: Iterable[Vector], style: str) -> str:
    places = list(places_m)
    points = " ".join("{:.1f},{:.1f}".format(*view.at(place)) for place in places)
    return f'<polyline class="{style}" data-at="{_told(places)}" points="{points}"/>'


def _dot(view: View, place_m: Vector, radius: float, style: str) -> str:
    x, y = view.at(place_m)
    return f'<circle class="{style}" data-at="{_told([place_m])}" cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}"/>'


def _words(view: View, place_m: Vector, content: str, beside: Point, style: str, anchor: str = "middle") -> str:
    x, y = view.at(place_m)
    where = f'data-at="{_told([place_m])}" x="{x:.1f}" y="{y:.1f}" dx="{beside[0]:.1f}" dy="{beside[1]:.1f}"'
    return f'<text class="{style}" {where} text-anchor="{anchor}">{escape(content)}</text>'


def _told(places_m: Iterable[Vector]) -> str:
    return " ".join(",".join(f"{value:.1f}" for value in place) for place in places_m)
