"""The report of a day as one HTML file that needs nothing else: no network, and a script only to turn one figure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from apexfix.model import DayResult, FlightResult, Verdict
from apexfix.report import rounding
from apexfix.report.figures import elevation_view, plan_view, site_map
from apexfix.report.ground import wind_words
from apexfix.report.residual_plot import residual_plot, residual_rows
from apexfix.report.rounding import PLAIN, Manner
from apexfix.report.sheet import template
from apexfix.report.space import space_view
from apexfix.report.track_plot import track_plot
from apexfix.report.unit_words import unit_rows

# A verdict is told in words and by a sign, so that a print without colours loses nothing.
VERDICT_WORDS: Final[Mapping[Verdict, tuple[str, str]]] = {
    Verdict.ACCEPTED: ("✓", "The readings agree, and the height is known as well as its interval says."),
    Verdict.DOUBTFUL: ("?", "There is an answer, but something speaks against relying on it: read the reasons."),
    Verdict.REJECTED: ("✗", "The readings contradict each other. Do not use this height."),
    Verdict.UNSOLVED: ("–", "The readings do not determine a height."),
}


@dataclass(frozen=True, slots=True)
class Bar:
    """One source of uncertainty and how much of the height's variance it makes."""

    source: str
    sigma: str  # in the unit of the manner
    percent: float  # of the sum of all squares


def day_html(day: DayResult, manner: Manner = PLAIN) -> str:
    """Return the whole report of a day."""
    # the figures are markup already: svg.py escapes every text in them
    return template("apexfix.report", "report.html").render(
        day=day,
        manner=manner,
        map=Markup(site_map(day, manner)),
        space=Markup(space_view(day, manner)),
        wind=wind_words(day.site, manner),
        plan=lambda result: Markup(plan_view(result, day.site, manner)),
        side=lambda result: Markup(elevation_view(result, day.site, manner)),
        track_plot=lambda result, track: Markup(track_plot(result, track)),
        residual_plot=lambda result: Markup(residual_plot(result)),
        residual_rows=residual_rows,
        unit_rows=unit_rows,
        bars=bars,
        heights=heights,
        verdict=VERDICT_WORDS,
        say=rounding,
    )


def bars(result: FlightResult, manner: Manner = PLAIN) -> tuple[Bar, ...]:
    """Return the budget of a flight's height, the largest share first."""
    whole = sum(sigma_m**2 for sigma_m in result.budget_m.values()) or 1.0
    places = rounding.decimals(rounding.length(rounding.height_sigma_m(result) or 0.0, manner))
    ordered = sorted(result.budget_m.items(), key=lambda item: -item[1])
    shown = ((source, rounding.length(sigma_m, manner), sigma_m**2) for source, sigma_m in ordered)
    return tuple(Bar(source, rounding.fixed(sigma, places), 100 * square_m2 / whole) for source, sigma, square_m2 in shown)


def heights(result: FlightResult, manner: Manner = PLAIN) -> tuple[tuple[str, str], ...]:
    """Return what each method makes of a flight's height, with the decimals of the answer."""
    sigma_m = rounding.height_sigma_m(result)
    places = 1 if sigma_m is None else rounding.decimals(rounding.length(sigma_m, manner))
    return tuple((name, rounding.fixed(rounding.length(height_m, manner), places)) for name, height_m in result.methods.items())
