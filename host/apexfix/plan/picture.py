"""The field from above, to scale: outline, places, standoff, where apexes and landings are expected, wind and Sun."""

from typing import Final

import numpy as np

from apexfix.model import Station, Vector
from apexfix.plan.answer import Plan
from apexfix.plan.checks import LANDINGS
from apexfix.plan.expected import HOLDS95, landings
from apexfix.plan.words import polar
from apexfix.report.ground import Frame, frame_around, ground, north, scale_bar
from apexfix.report.svg import Point, circle, drawing, line, polygon, words
from apexfix.units import DEG

_MAP: Final = (640.0, 560.0)
_ROW: Final = 20.0  # of the legend
_TURN: Final = np.linspace(0, 2 * np.pi, 72, endpoint=False)
_DWARFS: Final = 1.2  # a ballistic circle wider than this times all else is told in the legend and left out of the frame
_FROM_ABOVE: Final = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
# the colours of the report
_STYLE: Final = """<style>
text { font: 12px system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; fill: #111;
       paint-order: stroke; stroke: #fff; stroke-width: 3px; stroke-linejoin: round; }
.small { font-size: 11px; } .name { font-size: 13px; font-weight: 700; }
.sheet { fill: #fff; } .field { fill: #eef3e6; stroke: #4a5a2c; stroke-width: 1.6; }
.station { fill: #17507f; stroke: #fff; } .pad { fill: #111; }
.sight { stroke: #17507f; stroke-width: 1.2; } .dashed { stroke-dasharray: 6 4; }
.error { fill: #a00d0d; fill-opacity: .16; stroke: #a00d0d; stroke-width: 1; }
.landing { fill: #7a4a00; fill-opacity: .12; stroke: #7a4a00; stroke-width: 1.2; stroke-dasharray: 2 3; }
.return { fill: none; stroke: #a00d0d; stroke-width: 1.6; stroke-dasharray: 9 5; }
.standoff { fill: #111; fill-opacity: .08; stroke: #111; stroke-width: 1.2; }
.arrow, .bar { stroke: #111; stroke-width: 2; } .head { fill: #111; } .sun { fill: #e5a50a; stroke: #7a4a00; stroke-width: 1.5; }
</style>"""


def field_picture(plan: Plan) -> str:
    """Return a standalone SVG of a plan."""
    request = plan.request
    stations = _stations(plan)
    apex, landing = ellipse(request.expected.drift_m, request.expected.drift_covariance_m2), _landing(plan)
    outline = [] if request.field is None else list(_raised(request.field.corner_m))
    around = [np.zeros(3), *(station.position_m for station in stations), *outline, *apex, *landing]
    shown = request.expected.ballistic_m <= _DWARFS * max(float(np.abs(point[:2]).max()) for point in around)
    back = _ring(request.expected.ballistic_m)
    frame = frame_around([*around, *(back if shown else [])], _FROM_ABOVE, _MAP)
    shapes = [
        *([polygon(map(frame.at, outline), "field")] if outline else []),
        *([polygon(map(frame.at, landing), "landing")] if len(landing) else []),
        *([polygon(map(frame.at, back), "return")] if shown else []),
        polygon(map(frame.at, _ring(request.advice.standoff_m)), "standoff"),
        polygon(map(frame.at, apex), "error"),
        *(line(frame.at(np.zeros(3)), frame.at(station.position_m), "sight dashed") for station in stations),
        *ground(frame, stations), *north(), *_wind(plan), *_sun(plan, frame), *scale_bar(frame),
    ]  # fmt: skip
    legend = _legend(plan, shown)
    height = _MAP[1] + _ROW * (len(legend) / 5 + 1)
    sheet = f'<rect class="sheet" width="{_MAP[0]:g}" height="{height:g}"/>'
    title = f"Where to stand: {'open ground' if request.field is None else request.field.name}"
    svg = drawing(_MAP[0], height, title, [_STYLE, sheet, *shapes, *legend])
    return svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


def ellipse(middle_m: Vector, covariance_m2: Vector) -> Vector:
    """Return the (N, 3) corners of the ellipse that holds 95 % of a normal distribution over the ground."""
    spread, axes = np.linalg.eigh(covariance_m2)
    round_m = np.stack([np.cos(_TURN), np.sin(_TURN)], axis=1) * np.sqrt(np.maximum(spread, 0))
    return _raised(middle_m + HOLDS95 * round_m @ axes.T)


def _raised(level_m: Vector) -> Vector:
    return np.column_stack([level_m, np.zeros(len(level_m))])


def _ring(radius_m: float) -> Vector:
    return _raised(radius_m * np.stack([np.cos(_TURN), np.sin(_TURN)], axis=1))


def _landing(plan: Plan) -> Vector:
    """Return where 95 % of the landings are expected: downwind, or all around where nobody can tell the wind."""
    expected = plan.request.expected
    if expected.carry is None:
        return np.empty((0, 3))
    landed = landings(expected, LANDINGS)
    if expected.wind.from_rad is None:
        return _ring(float(np.quantile(np.linalg.norm(landed, axis=1), 0.95)))
    return ellipse(landed.mean(axis=0), np.cov(landed.T))


def _stations(plan: Plan) -> tuple[Station, ...]:
    return tuple(
        Station(f"{name} {metres} m {bearing}°", place, 0.0, None, None, None, None, None, None)
        for (name, metres, bearing), place in zip(polar(plan), plan.station_m, strict=True)
    )


def _wind(plan: Plan) -> list[str]:
    """Return an arrow that flies with the wind, in the corner opposite to north."""
    from_rad = plan.request.expected.wind.from_rad
    if from_rad is None:
        return []
    x, y = _MAP[0] - 40, 40.0
    along, across = _pixels(from_rad + np.pi), _pixels(from_rad + np.pi / 2)
    head = [_moved((x, y), along, 20), *(_moved(_moved((x, y), along, 8), across, side) for side in (-5, 5))]
    return [
        line(_moved((x, y), along, -18), _moved((x, y), along, 10), "arrow"),
        polygon(head, "head"),
        words((x, y + 36), "wind", "name"),
    ]


def _sun(plan: Plan, frame: Frame) -> list[str]:
    """Return the Sun at the edge of the figure, where an observer on the pad sees it."""
    if plan.sun is None or plan.sun.elevation_rad < 0:
        return []
    middle, along = frame.at(np.zeros(3)), _pixels(plan.sun.azimuth_rad)
    room = [
        ((size - 40 if way > 0 else 40) - at) / way for size, at, way in zip(_MAP, middle, along, strict=True) if abs(way) > 1e-6
    ]
    x, y = _moved(middle, along, max(min(room), 0.0))
    return [circle((x, y), 9, "sun"), words((x, y + 24), f"Sun, {plan.sun.elevation_rad / DEG:.0f}° up", "small")]


def _pixels(azimuth_rad: float) -> Point:
    return float(np.sin(azimuth_rad)), -float(np.cos(azimuth_rad))


def _moved(at: Point, along: Point, pixels: float) -> Point:
    return at[0] + along[0] * pixels, at[1] + along[1] * pixels


def _legend(plan: Plan, ballistic_shown: bool) -> list[str]:
    """Return five shapes for each row: two ends of a swatch's outline are not needed, a rectangle is one."""
    request = plan.request
    away = "" if ballistic_shown else " (wider than the picture)"
    rows = [
        ("error", "95 % of the apexes, over the ground"),
        ("standoff", f"standoff {request.advice.standoff_m:g} m: nobody inside, the crowd line runs outside"),
        ("return", f"ballistic return: within {request.expected.ballistic_m:.0f} m{away}"),
    ]
    if request.expected.carry is not None:
        rows.append(("landing", "95 % of the landings under the recovery device"))
    return [shape for k, (style, text) in enumerate(rows) for shape in _legend_row(style, text, _MAP[1] + _ROW * k)]


def _legend_row(style: str, text: str, y: float) -> list[str]:
    return [polygon([(14, y), (40, y), (40, y + 12), (14, y + 12)], style), words((48, y + 11), text, "small", "start")]
