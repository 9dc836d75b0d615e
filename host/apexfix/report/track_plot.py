"""What one observer held around one mark, against time, with the arc that was fitted through all tracks of the flight."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Final, NamedTuple

import numpy as np

from apexfix.model import FittedTrack, FlightResult, Track, Vector
from apexfix.report.axes import Axes, Range, ruled, spanned, ticks
from apexfix.report.svg import Point, drawing, line, path, polygon, words
from apexfix.units import DEG, US

_SIZE: Final = (360.0, 330.0)
_LEFT, _RIGHT = 44.0, 350.0
_PANES: Final = ((44.0, 160.0), (182.0, 296.0))  # top and bottom of elevation and azimuth
_MOST_POINTS: Final = 160  # of a line; more than the pixels of a phone show
_LEAST_DEG: Final = 2.0  # an observer who holds still is no zigzag
_HALF_MARK: Final = 7.0  # pixels from the middle of the mark to its corners


class _Place(NamedTuple):
    """Where a pane stands, and how its time is ruled."""

    span: Range
    seconds: Sequence[tuple[float, str]]
    top: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Drawn:
    """One track in the plot's own terms: seconds from the apex, or from the press where no apex instant is known; degrees."""

    time_s: Vector
    azimuth_deg: Vector  # unwrapped
    elevation_deg: Vector
    mark_s: float
    arc: tuple[Vector, Vector, Vector] | None  # time, azimuth, elevation
    from_apex: bool


def track_plot(result: FlightResult, track: Track) -> str:
    """Return elevation and azimuth of one track against time, with the press, the apex and the fitted arc where there is one."""
    drawn = drawn_track(result, track)
    span = (float(np.nanmin(drawn.time_s)), float(np.nanmax(drawn.time_s)))
    span = span if span[1] > span[0] else (span[0] - 1, span[1] + 1)
    above, beside = (None, None) if drawn.arc is None else (drawn.arc[2], drawn.arc[1])
    seconds = [(value, f"{value:g}") for value in ticks(span, 6)]
    shapes = [
        *_legend(drawn),
        *_pane("elevation", drawn, (drawn.elevation_deg, above), _Place(span, [(value, "") for value, _ in seconds], *_PANES[0])),
        *_pane("azimuth", drawn, (drawn.azimuth_deg, beside), _Place(span, seconds, *_PANES[1])),
    ]
    shapes.append(words(((_LEFT + _RIGHT) / 2, _SIZE[1] - 6), f"seconds from the {_zero_word(drawn)}", "small"))
    return drawing(*_SIZE, f"Flight {result.flight}: what station {track.station} held", shapes)


def drawn_track(result: FlightResult, track: Track) -> Drawn:
    """Return a track as it is plotted: thinned, and in the time of the model where the fit knows it."""
    fitted = next((own for own in result.fitted if own.station == track.station), None)
    from_apex = fitted is not None and result.utc_us is not None
    origin_us = result.utc_us if from_apex and result.utc_us is not None else track.mark_utc_us
    late_s = fitted.offset_s if fitted is not None and from_apex else 0.0
    step = max(1, ceil(len(track.utc_us) / _MOST_POINTS))
    azimuth: Vector = np.asarray(np.unwrap(track.azimuth_rad)[::step] / DEG, dtype=np.float64)
    time_s: Vector = np.asarray((track.utc_us[::step] - origin_us) * US + late_s, dtype=np.float64)
    return Drawn(
        time_s=time_s,
        azimuth_deg=azimuth,
        elevation_deg=track.elevation_rad[::step] / DEG,
        mark_s=(track.mark_utc_us - origin_us) * US + late_s,
        arc=None if fitted is None else _arc(fitted, origin_us, late_s, (time_s, azimuth)),
        from_apex=from_apex,
    )


def _arc(fitted: FittedTrack, origin_us: int, late_s: float, held: tuple[Vector, Vector]) -> tuple[Vector, Vector, Vector]:
    """Return time, azimuth and elevation of the arc, its azimuths on the same turn as those that were held."""
    time_s: Vector = np.asarray((fitted.utc_us - origin_us) * US + late_s, dtype=np.float64)
    azimuth: Vector = np.unwrap(fitted.azimuth_rad) / DEG
    apart = np.interp(time_s, *held) - azimuth
    turns = np.round(np.nanmedian(apart) / 360.0) * 360.0 if len(apart) else 0.0
    return time_s, np.asarray(azimuth + turns), fitted.elevation_rad / DEG


def _zero_word(drawn: Drawn) -> str:
    return "apex" if drawn.from_apex else "press"


def _pane(name: str, drawn: Drawn, lines: tuple[Vector, Vector | None], place: _Place) -> list[str]:
    own, arc = lines
    held = [own] if arc is None else [own, arc]
    axes = Axes((_LEFT, place.top), (_RIGHT, place.bottom), place.span, spanned(held, _LEAST_DEG))
    degrees = [(value, f"{_shown(name, value):g}°") for value in ticks(axes.y, 5)]
    shapes = [*ruled(axes, place.seconds, degrees), words((_LEFT + 4, place.top - 5), name, "name", "start")]
    if drawn.from_apex and place.span[0] <= 0 <= place.span[1]:
        shapes.append(line(axes.at(0, axes.y[0]), axes.at(0, axes.y[1]), "instant"))
    shapes.append(path(axes.path(drawn.time_s, own), "held"))
    if arc is not None and drawn.arc is not None:
        shapes.append(path(axes.path(drawn.arc[0], arc), "arc"))
    return [*shapes, *_mark(axes, drawn, own)]


def _shown(name: str, degrees: float) -> float:
    return degrees % 360.0 if name == "azimuth" else degrees


def _mark(axes: Axes, drawn: Drawn, own: Vector) -> list[str]:
    finite = np.isfinite(own)
    if not finite.any() or not axes.x[0] <= drawn.mark_s <= axes.x[1]:
        return []
    x, y = axes.at(drawn.mark_s, float(np.interp(drawn.mark_s, drawn.time_s[finite], own[finite])))
    return [polygon(_diamond((x, y)), "mark")]


def _diamond(at: Point) -> Sequence[Point]:
    (x, y), r = at, _HALF_MARK
    return [(x, y - r), (x + r, y), (x, y + r), (x - r, y)]


def _legend(drawn: Drawn) -> list[str]:
    """Return what the lines are, in words."""
    y = 14.0
    shapes = [path([(_LEFT, y - 4), (_LEFT + 22, y - 4)], "held"), words((_LEFT + 27, y), "held", "small", "start")]
    if drawn.arc is not None:
        shapes += [path([(108, y - 4), (130, y - 4)], "arc"), words((135, y), "fitted arc", "small", "start")]
    shapes += [polygon(_diamond((206, y - 4)), "mark"), words((217, y), "press", "small", "start")]
    if drawn.from_apex:
        shapes += [line((268, y - 10), (268, y + 3), "instant"), words((274, y), "apex", "small", "start")]
    return shapes
