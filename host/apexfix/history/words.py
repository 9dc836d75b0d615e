"""The log of many days as text for the terminal, as one JSON document, and as rows for a spreadsheet."""

import csv
import io
from collections.abc import Iterator
from textwrap import fill
from typing import Any, Final

from apexfix.fields import guarded
from apexfix.history.days import Day
from apexfix.history.drift import LEAST_DAYS, Course, Question, alarms
from apexfix.history.log import History
from apexfix.history.rockets import Flown, RocketLog, gap_sigmas
from apexfix.model import UnitHealth
from apexfix.report.rounding import decimals, fixed
from apexfix.report.table import aligned
from apexfix.units import DEG

FORMAT: Final = 1
_HEAD: Final = ("day", "flight", "height", "95 % interval", "verdict", "closure", "predicted", "gap")
_WIDTH: Final = 100
_MOST_NAMED: Final = 5
_NOTABLE: Final = 2.6  # sigmas: one in a hundred by chance
_CSV: Final = (
    "date", "folder", "rocket", "flight", "verdict", "height_m", "sigma_m", "interval95_low_m", "interval95_high_m",
    "closure_percent", "predicted_m", "predicted_low_m", "predicted_high_m", "gap_sigmas",
)  # fmt: skip


def history_text(told: History) -> str:
    """Return the log for the terminal."""
    lines: list[str] = []
    for rocket in told.rockets:
        table = aligned([head(rocket), *rows(rocket)])
        lines += [rocket_name(rocket), "", *table, "", *(_wrapped(line) for line in rocket_words(rocket)), ""]
    lines += ["Units and stations", ""]
    lines += [_wrapped(line) for line in course_words(told)]
    lines += ["", *(_wrapped(note) for note in notes(told))]
    return "\n".join([*lines, legend(told)])


def legend(told: History) -> str:
    """Return what the signs in the tables mean."""
    gap = " Gap: measured less predicted, in sigmas of both." if any(map(is_predicted, told.rockets)) else ""
    return f"± is one standard deviation.{gap}"


def rocket_name(rocket: RocketLog) -> str:
    """Return what a rocket is headed with."""
    return rocket.name or "Flights without a named rocket"


def head(rocket: RocketLog) -> tuple[str, ...]:
    """Return the names of the columns of a rocket's flights: those about predictions only where there is one."""
    return _HEAD if is_predicted(rocket) else _HEAD[:-2]


def is_predicted(rocket: RocketLog) -> bool:
    """Return whether any flight of a rocket has a prediction."""
    return any(flown.predicted is not None for flown in rocket.flights)


def rows(rocket: RocketLog) -> list[tuple[str, ...]]:
    """Return the cells of a rocket's flights in the order of the columns."""
    return [tuple(_row_words(flown))[: len(head(rocket))] for flown in rocket.flights]


def _row_words(flown: Flown) -> Iterator[str]:
    places = 1 if flown.sigma_m is None else decimals(flown.sigma_m)
    solved = flown.height_m is not None and flown.sigma_m is not None
    ends = None if flown.interval95_m is None else [fixed(end, places) for end in flown.interval95_m]
    yield flown.day.name
    yield str(flown.flight)
    yield f"{fixed(flown.height_m or 0.0, places)} ± {fixed(flown.sigma_m or 0.0, places)} m" if solved else "-"
    yield "-" if ends is None else f"{ends[0]} to {ends[1]} m"
    yield flown.verdict.value
    yield "-" if flown.closure_percent is None else f"{flown.closure_percent:.1f} %"
    yield "-" if flown.predicted is None else f"{fixed(flown.predicted.height_m, 0)} ± {fixed(flown.predicted.sigma_m, 0)} m"
    gap = gap_sigmas(flown)
    yield "-" if gap is None else f"{gap:+z.1f}"


def rocket_words(rocket: RocketLog) -> Iterator[str]:
    """Yield what there is to say about a rocket."""
    if rocket.mean_m is not None and rocket.sd_m is not None:
        yield f"Mean of the heights that count {rocket.mean_m:.1f} m, standard deviation from flight to flight {rocket.sd_m:.1f} m."
    if not rocket.name:
        yield "No flights.toml says which rocket made these flights, so no mean is taken of them."
    gaps = [(flown, gap) for flown in rocket.flights if (gap := gap_sigmas(flown)) is not None]
    wide = [f"{flown.flight} of {flown.day.name}" for flown, gap in gaps if abs(gap) > _NOTABLE]
    if wide:
        yield (
            f"More than {_NOTABLE} sigmas from the prediction, so that something about the rocket, the weather or the measurement "
            f"was not as stated: flight {', '.join(wide[:_MOST_NAMED])}{_more(len(wide))}."
        )
    if len(gaps) >= LEAST_DAYS and len({gap > 0 for _, gap in gaps}) == 1:
        side = "above" if gaps[0][1] > 0 else "below"
        yield f"All {len(gaps)} flights are {side} their prediction: 'apexfix learn' finds the drag and speed that explain them."


def _more(count: int) -> str:
    return f" and {count - _MOST_NAMED} more" if count > _MOST_NAMED else ""


def course_words(told: History) -> Iterator[str]:
    """Yield which unit or station is off, or that none can be told to be."""
    tested = sum(len(course.questions) for course in told.courses)
    if not tested:
        yield f"No unit and no station was seen on {LEAST_DAYS} days or more: nothing can be told from so few."
        return
    raised = alarms(told.courses)
    for course, question in raised:
        yield f"{course.who} is off in {course.quantity}: {question_words(question)}."
    if raised:
        yield (
            "One instrument that is off pulls the fix, and others seem off the other way: mend the first one named, and look "
            "again."
        )
    else:
        yield f"None of {tested} tests tells a unit or a station that is off (5 % chance of one false alarm among all of them)."


def question_words(question: Question) -> str:
    """Return what a test found."""
    value, sigma = question.value / DEG, question.sigma / DEG
    chance = f"probability by chance {question.adjusted:.2g} among all tests"
    if question.asks == "drift":
        return f"it drifts by {365.25 * value:+z.2f} ± {365.25 * sigma:.2f} degrees a year, {chance}"
    return f"it reads {value:+z.2f} ± {sigma:.2f} degrees from all others on all days, {chance}"


def notes(told: History) -> Iterator[str]:
    """Yield the days without answers, the units that cause concern, and what else there is to remark."""
    yield from (f"no heights from {day.folder}: {day.trouble}" for day in told.days if day.trouble)
    for day in told.days:
        for unit in day.result.units if day.result is not None else ():
            yield from (f"{day.name}, unit {unit.unit}: {concern}" for concern in unit.concerns)
    yield from (f"remark: {remark}" for remark in told.remarks)


def age_words(unit: UnitHealth) -> str:
    """Return how old a unit's calibration was."""
    if unit.calibration is None:
        return "not calibrated"
    age_days = unit.calibration_age_days
    return "age unknown" if age_days is None else f"{age_days:.0f} days since it was made or last checked"


def _wrapped(sentence: str) -> str:
    return fill(sentence, _WIDTH, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False)


# --- for programs ---------------------------------------------------------------------------------------------------


def history_document(told: History) -> dict[str, Any]:
    """Return the log as plain lists, texts and numbers; what is not known is null."""
    return {
        "format": FORMAT,
        "days": [_day_document(day) for day in told.days],
        "rockets": [
            {
                "name": rocket.name or None,
                "mean_m": rocket.mean_m,
                "sd_m": rocket.sd_m,
                "flights": [_flight_document(flown) for flown in rocket.flights],
            }
            for rocket in told.rockets
        ],
        "courses": [_course_document(course) for course in told.courses],
        "sentences": list(course_words(told)),
        "remarks": list(told.remarks),
    }


def _day_document(day: Day) -> dict[str, Any]:
    units = () if day.result is None else day.result.units
    return {
        "folder": str(day.folder),
        "date": None if day.date is None else day.date.isoformat(),
        "trouble": day.trouble or None,
        "units": [
            {
                "unit": unit.unit,
                "station": unit.station,
                "calibration": unit.calibration,
                "calibration_age_days": unit.calibration_age_days,
                "concerns": list(unit.concerns),
            }
            for unit in units
        ],
    }


def _flight_document(flown: Flown) -> dict[str, Any]:
    return {
        "date": None if flown.day.date is None else flown.day.date.isoformat(),
        "folder": str(flown.day.folder),
        "flight": flown.flight,
        "verdict": flown.verdict.value,
        "height_m": flown.height_m,
        "sigma_m": flown.sigma_m,
        "interval95_m": flown.interval95_m and list(flown.interval95_m),
        "closure_percent": flown.closure_percent,
        "predicted_m": flown.predicted and flown.predicted.height_m,
        "predicted_interval95_m": flown.predicted and list(flown.predicted.interval95_m),
        "gap_sigmas": gap_sigmas(flown),
    }


def _course_document(course: Course) -> dict[str, Any]:
    return {
        "who": course.who,
        "quantity": course.quantity,
        "days": [
            {
                "date": None if median.day.date is None else median.day.date.isoformat(),
                "folder": str(median.day.folder),
                "median_deg": median.median_rad / DEG,
                "sigma_deg": median.sigma_rad / DEG,
                "readings": median.readings,
            }
            for median in course.days
        ],
        "tests": [
            {
                "asks": question.asks,
                "value_deg" if question.asks == "offset" else "value_deg_per_day": question.value / DEG,
                "sigma_deg" if question.asks == "offset" else "sigma_deg_per_day": question.sigma / DEG,
                "stated_sigmas": question.stated_sigmas,
                "probability": question.probability,
                "adjusted_probability": question.adjusted,
            }
            for question in course.questions
        ],
    }


def history_csv(told: History) -> str:
    """Return a row for each flight; a text that begins like a formula gets a quote before it."""
    out = io.StringIO()
    rows = csv.DictWriter(out, _CSV, extrasaction="ignore", lineterminator="\n")
    rows.writeheader()
    for rocket in told.rockets:
        for flown in rocket.flights:
            document = _flight_document(flown)
            low, high = document["interval95_m"] or (None, None)
            predicted_low, predicted_high = document["predicted_interval95_m"] or (None, None)
            ends = {"interval95_low_m": low, "interval95_high_m": high}
            ends |= {"predicted_low_m": predicted_low, "predicted_high_m": predicted_high}
            rows.writerow(document | ends | {"rocket": guarded(rocket.name), "folder": guarded(document["folder"])})
    return out.getvalue()
