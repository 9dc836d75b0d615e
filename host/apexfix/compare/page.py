"""A comparison as one HTML file that needs nothing else, and as rows."""

from pathlib import Path

from markupsafe import Markup

from apexfix.compare import plots, words
from apexfix.compare.answer import Comparison
from apexfix.compare.verdict import sentences
from apexfix.report.rounding import fixed
from apexfix.report.sheet import template
from apexfix.text_file import write_text


def write_comparison(told: Comparison, folder: Path) -> Path:
    """Write comparison.html and comparison.csv into a folder and return the path of the page; FileError where that fails."""
    write_text(folder / "comparison.html", comparison_html(told))
    write_text(folder / "comparison.csv", words.comparison_csv(told))
    return folder / "comparison.html"


def comparison_html(told: Comparison) -> str:
    """Return the page of a comparison."""
    # the figures are markup already: svg.py escapes every text in them
    return template("apexfix.compare", "comparison.html").render(
        told=told,
        say=words,
        answer=sentences(told),
        difference=Markup(plots.difference_plot(told)) if told.compared else "",
        scatter=Markup(plots.scatter_plot(told)) if told.compared else "",
        logs=[(row, Markup(plots.log_plot(row))) for row in told.compared if row.control.trace is not None],
        sources=sources,
    )


def sources(told: Comparison) -> tuple[tuple[str, bool, tuple[str, ...]], ...]:
    """Return the sources of the altimeter's uncertainty, the largest first: name, common to all flights, sigma of each flight."""
    budgets = [{**row.control.own_m, **row.control.common_m} for row in told.compared]
    whole = {name: sum(budget.get(name, 0.0) ** 2 for budget in budgets) for budget in budgets for name in budget}
    common = {name for row in told.compared for name in row.control.common_m}
    return tuple(
        (name, name in common, tuple(fixed(budget[name], 2) if name in budget else "-" for budget in budgets))
        for name in sorted(whole, key=lambda name: -whole[name])
    )
