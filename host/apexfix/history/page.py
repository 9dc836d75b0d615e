"""The log of many days as one HTML file that needs nothing else, and as rows."""

from pathlib import Path

from markupsafe import Markup

from apexfix.history import plots, words
from apexfix.history.drift import LEAST_DAYS
from apexfix.history.log import History
from apexfix.report.sheet import template
from apexfix.text_file import write_text


def write_history(told: History, folder: Path) -> Path:
    """Write history.html and history.csv into a folder and return the path of the page; FileError where that fails."""
    write_text(folder / "history.html", history_html(told))
    write_text(folder / "history.csv", words.history_csv(told))
    return folder / "history.html"


def history_html(told: History) -> str:
    """Return the page of a log."""
    # the figures are markup already: svg.py escapes every text in them
    return template("apexfix.history", "history.html").render(
        told=told,
        say=words,
        heights=lambda rocket: Markup(plots.height_plot(rocket)),
        courses=[Markup(plots.course_plot(course)) for course in told.courses if len(course.days) >= LEAST_DAYS],
    )
