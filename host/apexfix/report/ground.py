"""What every figure over the ground has: a scale, the pad, the stations with their names, north, the wind and a bar of length."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import floor, log10
from typing import Final

import numpy as np

from apexfix.model import Site, Station, Vector
from apexfix.report.labels import Box, Label, box_about, box_of, clear, within
from apexfix.report.rounding import PLAIN, Manner, length, unit_word
from apexfix.report.svg import Point, circle, line, polygon, words
from apexfix.units import DEG, FOOT

SMALLEST_M: Final = 10.0  # a figure shows at least this much ground
_MARGIN: Final = 36.0
_FOOT: Final = 26.0  # below the lower margin, for names and the scale bar
_LONGEST_NAME: Final = 16  # letters of a station's name in a figure
_LINE: Final = 16.0  # pixels that a line of text takes up


@dataclass(frozen=True, slots=True)
class Frame:
    """From metres in a plane to pixels: one scale for both axes, the first to the right and the second upwards."""

    plane: Vector  # (2, 3) rows are the unit vectors of the plane's axes
    scale: float  # pixels in a metre
    corner_m: Vector  # (2,) what is drawn at the left upper corner
    size: Point

    def at(self, point_m: Vector) -> Point:
        """Return where a (3,) point is drawn."""
        x_m, y_m = self.plane @ point_m - self.corner_m
        return float(x_m) * self.scale, float(-y_m) * self.scale


def frame_around(points_m: Iterable[Vector], plane: Vector, size: Point) -> Frame:
    """Return the frame that holds all (3,) points, centred."""
    points = np.array([plane @ point for point in points_m])
    low, high = points.min(axis=0), points.max(axis=0)
    room = np.array([size[0], size[1] - _FOOT])
    scale = float(((room - 2 * _MARGIN) / np.maximum(high - low, SMALLEST_M)).min())
    return Frame(plane, scale, (low + high) / 2 + room * [-0.5, 0.5] / scale, size)


def ground(frame: Frame, stations: Sequence[Station], taken: list[Box] | None = None) -> list[str]:
    """Return the pad and the stations with their names; what their words take up is added to `taken`."""
    taken = [] if taken is None else taken
    x, y = frame.at(np.zeros(3))
    places = (((x, y + 18), "middle"), ((x + 10, y + 4), "start"), ((x - 10, y + 4), "end"), ((x, y - 11), "middle"))
    pad = clear((Label(at, "pad", anchor) for at, anchor in places), taken)
    taken += [box_of(pad), box_about((x, y), 7), *(box_about(frame.at(station.position_m), 6) for station in stations)]
    marks = [circle(frame.at(station.position_m), 5, "station") for station in stations]
    shape = polygon([(x, y - 7), (x + 6, y + 5), (x - 6, y + 5)], "pad")
    return [shape, pad.drawn(), *marks, *_names(frame, stations, taken)]


def _names(frame: Frame, stations: Sequence[Station], taken: list[Box]) -> list[str]:
    """Return the names of stations below their places, or above, or as far down as it takes to clear what stands already."""
    drawn = []
    for station in stations:
        x, y = frame.at(station.position_m)
        name = station.id if len(station.id) <= _LONGEST_NAME else f"{station.id[: _LONGEST_NAME - 1]}…"
        heights = (y + 18, y - 10, *(y + 18 + _LINE * n for n in range(1, len(taken) + 1)))
        label = clear((within(Label((x, height), name, style="name"), frame.size[0]) for height in heights), taken)
        taken.append(box_of(label))
        drawn.append(label.drawn())
    return drawn


NORTH_PLACE: Final = Box(8, 8, 28, 62)  # what the arrow takes up


def north() -> list[str]:
    """Return an arrow to the north, in the upper left corner."""
    return [line((18, 44), (18, 20), "arrow"), polygon([(18, 10), (23, 22), (13, 22)], "head"), words((18, 58), "N", "name")]


def wind_words(site: Site, manner: Manner = PLAIN) -> str:
    """Return the wind that the site states, empty where it states none."""
    if site.wind_m_s is None:
        return ""
    bearing = "" if site.wind_from_rad is None else f" from {site.wind_from_rad / DEG:.0f}°"
    return f"{length(site.wind_m_s, manner):.1f} {unit_word(manner)}/s{bearing}"


def wind(site: Site, right: float, manner: Manner = PLAIN) -> list[str]:
    """Return an arrow with the wind, in the upper corner at the right end of a figure, as stated for the day."""
    if site.wind_m_s is None or site.wind_from_rad is None:
        return []
    middle = np.array([right - 34, 34.0])
    along = np.array([-np.sin(site.wind_from_rad), np.cos(site.wind_from_rad)])  # where it blows to; y is downwards
    side = np.array([-along[1], along[0]])
    tail, tip = middle - 18 * along, middle + 18 * along
    head = [tip, tip - 11 * along + 6 * side, tip - 11 * along - 6 * side]
    name = words((right - 8, 74), f"wind {wind_words(site, manner)}", "small", "end")
    return [line(_pair(tail), _pair(tip - 8 * along), "wind"), polygon(map(_pair, head), "gust"), name]


def _pair(point: Vector) -> Point:
    return float(point[0]), float(point[1])


def scale_bar(frame: Frame, manner: Manner = PLAIN) -> list[str]:
    """Return a bar of a round length, at most a third of the figure."""
    unit_m = FOOT if manner.feet else 1.0
    longest = frame.size[0] / 3 / frame.scale / unit_m
    power = 10.0 ** floor(log10(longest))
    shown = max(step * power for step in (1, 2, 5) if step * power <= longest)
    right, y = frame.size[0] - 12, frame.size[1] - 12
    left = right - shown * unit_m * frame.scale
    ticks = [line((x, y - 4), (x, y + 4), "bar") for x in (left, right)]
    name = words(((left + right) / 2, y - 6), f"{shown:g} {unit_word(manner)}", "small")
    return [line((left, y), (right, y), "bar"), *ticks, name]
