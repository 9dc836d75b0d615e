"""Every figure of a report as a file of its own: SVG for a page or a drawing program, PNG for everything else."""

import os
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from importlib.resources import files
from typing import Final

from apexfix.model import DayResult
from apexfix.report.figures import elevation_view, plan_view, site_map
from apexfix.report.residual_plot import residual_plot, residual_rows
from apexfix.report.rounding import PLAIN, Manner
from apexfix.report.space import space_view
from apexfix.report.track_plot import track_plot

PNG_WIDTH: Final = 720  # pixels; twice what a figure is drawn for
_WORTH_HELP: Final = 60  # figures that take longer than it takes to start another process


def day_figures(day: DayResult, manner: Manner = PLAIN) -> dict[str, str]:
    """Return every figure of a day's report as SVG, by a name that is fit for a file."""
    figures = {"map": site_map(day, manner), "space": space_view(day, manner)}
    for result in day.flights:
        flight = f"flight-{result.flight}"
        if result.sightings:
            figures[f"{flight}-plan"] = plan_view(result, day.site, manner)
            figures[f"{flight}-side"] = elevation_view(result, day.site, manner)
        if residual_rows(result):
            figures[f"{flight}-residuals"] = residual_plot(result)
        # a station may bear a name that no file can: the place in the site file tells as well
        places = {station.id: n for n, station in enumerate(day.site.stations, 1)}
        figures |= {f"{flight}-track-{places[track.station]}": track_plot(result, track) for track in result.tracks}
    return figures


def standalone(figure: str) -> str:
    """Return a figure of the report as a document with its own styles and a white sheet."""
    head, body = figure.split(">", 1)
    head = head.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    sheet = '<rect width="100%" height="100%" fill="#fff"/>'
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{head}><style>{_style()}</style>{sheet}{body}\n'


def pngs(documents: Iterable[str]) -> Iterator[bytes]:
    """Yield standalone figures as PNG, in their order."""
    drawings = tuple(documents)
    if len(drawings) < _WORTH_HELP or (os.cpu_count() or 1) < 2:
        yield from map(_png, drawings)
        return
    with ProcessPoolExecutor() as pool:
        yield from pool.map(_png, drawings, chunksize=20)


def _png(document: str) -> bytes:
    import resvg_py  # here, so that a process that draws nothing does without

    return bytes(resvg_py.svg_to_bytes(svg_string=document, width=PNG_WIDTH, sans_serif_family="DejaVu Sans"))


@cache
def _style() -> str:
    return files("apexfix.report").joinpath("figures.css").read_text(encoding="utf-8")
