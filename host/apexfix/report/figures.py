"""The figures of a report, to scale, drawn as SVG in the package itself: a long day has a thousand of them.

Planes: a figure shows east to the right and north upwards, or a vertical plane through the pad.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot
from typing import Final

import numpy as np

from apexfix.geometry import angles, direction
from apexfix.model import DayResult, FlightResult, Sighting, Site, Station, Vector
from apexfix.report.ground import NORTH_PLACE, SMALLEST_M, Frame, frame_around, ground, north, scale_bar, wind
from apexfix.report.labels import Box, Label, around, box_about, box_of, clear, within
from apexfix.report.rounding import PLAIN, Manner, height_words
from apexfix.report.svg import Point, circle, drawing, line, polygon, words
from apexfix.units import DEG

_MAP: Final = (400.0, 340.0)
_VIEW: Final = (360.0, 300.0)
_ELLIPSE95: Final = float(np.sqrt(-2 * np.log(0.05)))  # sigmas that hold 95 % in two dimensions: the chi-square law in closed form
_BEYOND: Final = 1.06  # a line of sight goes on a little past the apex
_MOST_LABELS: Final = 30  # more numbers than this on one map hide each other
_PIECE: Final = 6.0  # pixels of a line that words must keep clear of at a time
_BY_APEX: Final = ((4.0, 18.0), (-6.0, 18.0), (-14.0, 14.0), (4.0, 30.0), (14.0, 40.0))  # pixels down and aside, for words
_SIDES: Final = ((1, "start"), (-1, "end"))
_LEADER: Final = 9.0  # pixels from an apex to its number, beyond which a line must tell whose it is
# kept free of other words, where there is a wind to tell
_WIND_PLACES: Final = (Box(_MAP[0] - 60, 0, _MAP[0], 60), box_of(Label((_MAP[0] - 8, 74), "wind 10.0 m/s from 250°", "end")))
_FROM_ABOVE: Final = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def ellipse95(result: FlightResult) -> Vector:
    """Return the (N, 3) corners of the ellipse over the ground that holds a solved flight's apex with 95 %."""
    if result.position_m is None or result.covariance_m2 is None:
        return np.empty((0, 3))
    spread, axes = np.linalg.eigh(result.covariance_m2[:2, :2])
    turn = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    corners = np.tile(result.position_m, (turn.size, 1))
    corners[:, :2] += _ELLIPSE95 * (np.stack([np.cos(turn), np.sin(turn)], axis=1) * np.sqrt(np.maximum(spread, 0))) @ axes.T
    return corners


# --- the figures ----------------------------------------------------------------------------------------------------


def site_map(day: DayResult, manner: Manner = PLAIN) -> str:
    """Return a map of the stations, the pad, the wind and every apex with the ellipse that holds it with 95 %."""
    ellipses = [ellipse95(result) for result in day.flights]
    stations = [station.position_m for station in day.site.stations]
    apexes = [result.position_m for result in day.flights if result.position_m is not None]
    near = _near([np.zeros(3), *stations, *apexes], [corner for ellipse in ellipses for corner in ellipse])
    frame = frame_around(near, _FROM_ABOVE, _MAP)
    solved = [(result.flight, frame.at(result.position_m)) for result in day.flights if result.position_m is not None]
    shapes = [polygon(map(frame.at, ellipse), "error") for ellipse in ellipses if ellipse.size]
    windy = wind(day.site, _MAP[0], manner)
    taken = [NORTH_PLACE, *(_WIND_PLACES if windy else ()), *(box_about(at, 3) for _, at in solved)]
    shapes += [*ground(frame, day.site.stations, taken), *north(), *windy, *scale_bar(frame, manner)]
    if len(solved) <= _MOST_LABELS:
        shapes += _numbers(solved, taken)
    shapes += [circle(at, 2.5, "apex") for _, at in solved]
    return drawing(*_MAP, f"Map of {day.site.name}", shapes)


def plan_view(result: FlightResult, site: Site, manner: Manner = PLAIN) -> str:
    """Return one flight from above: the lines of sight that have an azimuth, and the apex with its ellipse."""
    ellipse = ellipse95(result)
    stations = _stations(result, site)
    apexes = [] if result.position_m is None else [result.position_m]
    near = _near([np.zeros(3), *(station.position_m for station in stations), *apexes], ellipse)
    frame = frame_around(near, _FROM_ABOVE, _VIEW)
    shapes = [polygon(map(frame.at, ellipse), "error")] if ellipse.size else []
    shapes += [sight.drawn() for sight in _sights(frame, result, site, only_azimuths=True)]
    at = [frame.at(apex) for apex in apexes]
    shapes += [*ground(frame, stations, [NORTH_PLACE, *(box_about(own, 4) for own in at)]), *north(), *scale_bar(frame, manner)]
    shapes += [circle(own, 3, "apex") for own in at]
    return drawing(*_VIEW, f"Flight {result.flight} from above", shapes)


def elevation_view(result: FlightResult, site: Site, manner: Manner = PLAIN) -> str:
    """Return one flight from the side, in the vertical plane that shows most: lines of sight, apex and interval of the height."""
    stations = _stations(result, site)
    level = [np.zeros(3), *(station.position_m for station in stations)]
    bar = _interval_bar(result)
    plane = _widest_plane(np.array([*level, *bar]))
    height = bar if len(bar) else [np.array([0.0, 0.0, np.ptp(np.array(level)[:, :2], axis=0).max()])]
    apexes = [] if result.position_m is None else [result.position_m]
    frame = frame_around(_near([*level, *apexes], height), plane, _VIEW)
    level_y = frame.at(np.zeros(3))[1]
    sights = _sights(frame, result, site, only_azimuths=False)
    shapes = [line((0, level_y), (_VIEW[0], level_y), "ground"), *(sight.drawn() for sight in sights)]
    if result.position_m is not None:
        apex = frame.at(result.position_m)
        plumb = _Stroke(apex, (apex[0], level_y), "plumb")
        shapes += [plumb.drawn(), *_whiskers(frame, bar), circle(apex, 3, "apex")]
        shapes += [_beside(plumb, height_words(result, manner), [box for stroke in (*sights, plumb) for box in stroke.boxes()])]
    looking = round(float(angles(np.cross([0.0, 0.0, 1.0], plane[0]))[0]) / DEG) % 360
    caption = words((8, _VIEW[1] - 10), f"looking towards {looking}°", "small", "start")
    shapes += [*ground(frame, stations), caption, *scale_bar(frame, manner)]
    return drawing(*_VIEW, f"Flight {result.flight} from the side", shapes)


# --- their parts ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Stroke:
    """A straight line of a figure."""

    start: Point
    end: Point
    style: str

    def drawn(self) -> str:
        return line(self.start, self.end, self.style)

    def boxes(self) -> list[Box]:
        """Return what it takes up, in small pieces."""
        (x1, y1), (x2, y2) = self.start, self.end
        pieces = max(1, round(hypot(x2 - x1, y2 - y1) / _PIECE))
        return [box_about((x1 + (x2 - x1) * n / pieces, y1 + (y2 - y1) * n / pieces), _PIECE / 2) for n in range(pieces + 1)]


def _beside(plumb: _Stroke, content: str, taken: Sequence[Box]) -> str:
    """Return words beside an apex where they hide no line, on its plumb line where none is so."""
    (x, top), (_, foot) = plumb.start, plumb.end
    near = [Label((x + side * away, top + down), content, anchor, "name") for down, away in _BY_APEX for side, anchor in _SIDES]
    inside = [place for place in near if within(place, _VIEW[0]) == place]
    return clear([within(Label((x, (top + foot) / 2), content, style="name"), _VIEW[0]), *inside], taken).drawn()


def _near(points_m: list[Vector], margins_m: Iterable[Vector]) -> list[Vector]:
    """Return points with those ends of their uncertainties that do not dwarf them: a figure shows the field, not a weak fix."""
    farthest_m = 2 * max(SMALLEST_M, *(float(np.linalg.norm(point)) for point in points_m))
    return [*points_m, *(end for end in margins_m if np.linalg.norm(end) <= farthest_m)]


def _stations(result: FlightResult, site: Site) -> tuple[Station, ...]:
    return tuple(site.station(sighting.station) for sighting in result.sightings)


def _sights(frame: Frame, result: FlightResult, site: Site, *, only_azimuths: bool) -> list[_Stroke]:
    """Return the lines of sight; one without an azimuth is dashed and drawn towards the apex."""
    drawn = []
    for sighting in result.sightings:
        start = site.station(sighting.station).position_m
        along = _along(sighting, start, result.position_m)
        if along is not None and (sighting.azimuth_rad is not None or not only_azimuths):
            end = start + along * _reach(frame, start, along, result.position_m)
            drawn.append(_Stroke(frame.at(start), frame.at(end), "sight" if sighting.azimuth_rad is not None else "sight dashed"))
    return drawn


def _along(sighting: Sighting, start: Vector, apex: Vector | None) -> Vector | None:
    """Return the direction of a sighting; without an azimuth it is that of the apex, None where there is neither."""
    if sighting.azimuth_rad is not None:
        return direction(sighting.azimuth_rad, sighting.elevation_rad)
    if apex is None:
        return None
    return direction(float(angles(apex - start)[0]), sighting.elevation_rad)


def _reach(frame: Frame, start: Vector, along: Vector, apex: Vector | None) -> float:
    """Return how far to draw a line of sight: just past its nearest point to the apex, or else out of the figure."""
    if apex is None:
        return 2 * max(frame.size) / frame.scale
    return max(float(along @ (apex - start)) * _BEYOND, 0.0)


def _interval_bar(result: FlightResult) -> list[Vector]:
    """Return the lower and the upper end of the height's interval at the apex, nothing where it has none."""
    if result.position_m is None or result.interval95_m is None or not np.isfinite(result.interval95_m).all():
        return []
    return [np.array([*result.position_m[:2], end]) for end in result.interval95_m]


def _whiskers(frame: Frame, bar: Sequence[Vector]) -> list[str]:
    if not bar:
        return []
    (x, low), (_, high) = (frame.at(end) for end in bar)
    return [line((x, low), (x, high), "interval"), *(line((x - 6, y), (x + 6, y), "interval") for y in (low, high))]


def _widest_plane(points_m: Vector) -> Vector:
    """Return the axes of the vertical plane that shows the level spread of (N, 3) points best, pointing east or north."""
    level = points_m[:, :2] - points_m[:, :2].mean(axis=0)
    along = np.linalg.svd(level)[2][0]
    east, north = along if along[0] + along[1] / 2 >= 0 else -along
    return np.array([[east, north, 0.0], [0.0, 0.0, 1.0]])


def _numbers(solved: Sequence[tuple[int, Point]], taken: list[Box]) -> list[str]:
    """Return the numbers of flights beside their apexes, clear of all else; a thin line leads to one that stands apart."""
    leaders, drawn = [], []
    for flight, at in solved:
        label = clear(around(at, str(flight), "number"), taken)
        taken.append(box_of(label))
        drawn.append(label.drawn())
        box = box_of(label)
        nearest = min(max(at[0], box.left), box.right), min(max(at[1], box.top + 2), box.bottom)
        if hypot(at[0] - nearest[0], at[1] - nearest[1]) > _LEADER:
            leaders.append(line(at, nearest, "leader"))
    return [*leaders, *drawn]
