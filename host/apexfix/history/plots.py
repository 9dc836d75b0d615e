"""The pictures of a log: heights of a rocket over the days, and how far a unit or a station read from all others."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from apexfix.history.drift import Course
from apexfix.history.rockets import RocketLog, counts
from apexfix.history.words import rocket_name
from apexfix.report.axes import Axes, ruled, spanned
from apexfix.report.error_bars import error_bar, named_ticks
from apexfix.report.svg import circle, drawing, line, polygon, words
from apexfix.units import DEG

_WIDE: Final = (480.0, 300.0)
_SMALL: Final = (360.0, 220.0)
_LEFT, _TOP = 52.0, 28.0
_FOOT: Final = 44.0
_MOST_DATES: Final = 4  # more dates than this hide each other
_ASIDE: Final = 0.18  # of the way to the next flight: where the prediction stands
_LEAST_DEG: Final = 0.2


def height_plot(rocket: RocketLog) -> str:
    """Return the heights of a rocket, flight by flight, with 95 % intervals, and what was predicted beside them."""
    flights = [flown for flown in rocket.flights if flown.height_m is not None and flown.interval95_m is not None]
    ends = [np.array(flown.interval95_m) for flown in flights]
    ends += [np.array(flown.predicted.interval95_m) for flown in flights if flown.predicted is not None]
    axes = Axes((_LEFT, _TOP), (_WIDE[0] - 12, _WIDE[1] - _FOOT), (-0.6, max(len(flights), 1) - 0.4), spanned(ends, 20.0))
    shapes = list(ruled(axes, _dates([flown.day.name for flown in flights]), named_ticks(axes.y)))
    for place, flown in enumerate(flights):
        assert flown.interval95_m is not None
        assert flown.height_m is not None
        if flown.predicted is not None:
            shapes += error_bar(axes, place + _ASIDE, flown.predicted.interval95_m, "sight")
            x, y = axes.at(place + _ASIDE, flown.predicted.height_m)
            shapes.append(polygon([(x, y - 5), (x + 5, y), (x, y + 5), (x - 5, y)], "mark"))
        shapes += error_bar(axes, place, flown.interval95_m, "interval" if counts(flown) else "plumb")
        x, y = axes.at(place, flown.height_m)
        shapes += [circle((x, y), 4, "apex" if counts(flown) else "pad"), words((x - 7, y - 5), str(flown.flight), "small", "end")]
    shapes.append(words((_LEFT, _TOP - 9), "height in m; number of the flight", "small", "start"))
    return drawing(*_WIDE, f"{rocket_name(rocket)}: heights over the days", shapes)


def course_plot(course: Course) -> str:
    """Return how far one unit or station read from all others, day by day, with two sigmas."""
    median = np.array([day.median_rad / DEG for day in course.days])
    half = np.array([2 * day.sigma_rad / DEG for day in course.days])
    span = spanned([median - half, median + half, np.zeros(1)], _LEAST_DEG)
    axes = Axes((_LEFT, _TOP), (_SMALL[0] - 10, _SMALL[1] - _FOOT), (-0.6, len(course.days) - 0.4), span)
    dates = _dates([day.day.name for day in course.days])
    shapes = list(ruled(axes, dates[:: max(1, -(-len(dates) // 3))], named_ticks(axes.y)))
    shapes.append(line(axes.at(axes.x[0], 0), axes.at(axes.x[1], 0), "ground"))
    for place, (value, reach) in enumerate(zip(median.tolist(), half.tolist(), strict=True)):
        shapes += error_bar(axes, place, (value - reach, value + reach), "sight")
        shapes.append(circle(axes.at(place, value), 4, "station"))
    shapes.append(words((_LEFT, _TOP - 9), f"{course.who}, {course.quantity}: degrees from all others", "small", "start"))
    return drawing(*_SMALL, f"{course.who}, {course.quantity}: how far from all others over the days", shapes)


def _dates(names: Sequence[str]) -> list[tuple[float, str]]:
    """Return where a day begins and its name, thinned where there are many."""
    first = [(float(n), name) for n, name in enumerate(names) if n == 0 or names[n - 1] != name]
    step = max(1, -(-len(first) // _MOST_DATES))
    return [(place, name if n % step == 0 else "") for n, (place, name) in enumerate(first)]
