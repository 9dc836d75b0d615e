"""The report of a day as one HTML file that needs nothing else: no network, no script."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from apexfix.model import DayResult, FlightResult, Verdict
from apexfix.report import rounding
from apexfix.report.figures import elevation_view, plan_view, site_map

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
    sigma_m: str
    percent: float  # of the sum of all squares


def day_html(day: DayResult) -> str:
    """Return the whole report of a day."""
    # the figures are markup already: svg.py escapes every text in them
    return _template().render(
        day=day,
        map=Markup(site_map(day)),
        plan=lambda result: Markup(plan_view(result, day.site)),
        side=lambda result: Markup(elevation_view(result, day.site)),
        bars=bars,
        heights=heights,
        verdict=VERDICT_WORDS,
        say=rounding,
    )


def bars(result: FlightResult) -> tuple[Bar, ...]:
    """Return the budget of a flight's height, the largest share first."""
    whole = sum(sigma_m**2 for sigma_m in result.budget_m.values()) or 1.0
    places = rounding.decimals(rounding.height_sigma_m(result) or 0.0)
    ordered = sorted(result.budget_m.items(), key=lambda item: -item[1])
    return tuple(Bar(source, rounding.fixed(sigma_m, places), 100 * sigma_m**2 / whole) for source, sigma_m in ordered)


def heights(result: FlightResult) -> tuple[tuple[str, str], ...]:
    """Return what each method makes of a flight's height, with the decimals of the answer."""
    sigma_m = rounding.height_sigma_m(result)
    places = 1 if sigma_m is None else rounding.decimals(sigma_m)
    return tuple((name, rounding.fixed(height_m, places)) for name, height_m in result.methods.items())


@cache
def _template() -> Template:
    loader = PackageLoader("apexfix.report", ".")
    rules = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return rules.get_template("report.html")
