"""The residuals of a flight as arrows, each on the scale of the sigma of its own reading."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from apexfix.model import FlightResult
from apexfix.report.axes import Axes, ruled
from apexfix.report.rounding import residual_words
from apexfix.report.svg import drawing, line, polygon, words

_WIDTH: Final = 360.0
_ROW: Final = 24.0
_LEFT, _RIGHT = 131.0, 241.0
_TOP: Final = 24.0
_FOOT: Final = 36.0
_SCALE: Final = 4.0  # sigmas on either side; what is larger ends at the edge, and its number tells
_LONGEST_NAME: Final = 8  # letters of a station


@dataclass(frozen=True, slots=True)
class Row:
    """One residual of a flight."""

    station: str
    quantity: str
    residual_rad: float
    sigma_rad: float
    left_out: bool


def residual_rows(result: FlightResult) -> tuple[Row, ...]:
    """Return every residual whose sigma is known, in the order of the readings."""
    out = {(excluded.station, excluded.quantity) for excluded in result.excluded}
    found = []
    for residual in result.residuals:
        pairs = (
            ("azimuth", residual.azimuth_rad, residual.sigma_azimuth_rad),
            ("elevation", residual.elevation_rad, residual.sigma_elevation_rad),
        )
        for quantity, value, sigma in pairs:
            if value is not None and sigma:
                found.append(Row(residual.station, quantity, value, sigma, (residual.station, quantity) in out))
    return tuple(found)


def residual_plot(result: FlightResult) -> str:
    """Return the residuals of one flight as arrows from zero, with one and two sigmas ruled."""
    rows = residual_rows(result)
    bottom = _TOP + _ROW * max(len(rows), 1)
    axes = Axes((_LEFT, _TOP), (_RIGHT, bottom), (-_SCALE, _SCALE), (float(max(len(rows), 1)), 0.0))
    named = [(float(value), f"{value:+d}" if value else "0") for value in (-4, -2, 0, 2, 4)]
    band = [axes.at(-1, 0), axes.at(1, 0), axes.at(1, axes.y[0]), axes.at(-1, axes.y[0])]
    shapes = [*ruled(axes, named, ()), polygon(band, "band"), line(axes.at(0, axes.y[0]), axes.at(0, 0), "ground")]
    for place, row in enumerate(rows):
        shapes += _row(axes, place, row)
    shapes.append(words(((_LEFT + _RIGHT) / 2, bottom + 30), "sigmas of the reading", "small"))
    return drawing(_WIDTH, bottom + _FOOT, f"Flight {result.flight}: residuals", shapes)


def _row(axes: Axes, place: int, row: Row) -> Iterator[str]:
    sigmas = row.residual_rad / row.sigma_rad
    x, y = axes.at(max(-_SCALE, min(_SCALE, sigmas)), place + 0.5)
    zero, _ = axes.at(0, 0)
    name = row.station if len(row.station) <= _LONGEST_NAME else f"{row.station[: _LONGEST_NAME - 1]}…"
    style = "residual dashed" if row.left_out else "residual"
    yield words((_LEFT - 6, y + 4), f"{name} {row.quantity}", "tick", "end")
    yield line((zero, y), (x, y), style)
    back = -6.0 if x >= zero else 6.0
    if abs(x - zero) > abs(back):
        yield polygon([(x, y), (x + back, y - 4), (x + back, y + 4)], "tip")
    else:
        yield polygon([(x - 2, y - 4), (x + 2, y - 4), (x + 2, y + 4), (x - 2, y + 4)], "tip")
    yield words((_RIGHT + 6, y + 4), f"{residual_words(row.residual_rad)}, {sigmas:+z.1f} σ", "tick", "start")
