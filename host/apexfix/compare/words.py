"""A comparison as text for the terminal, as one JSON document, and as rows for a spreadsheet."""

import csv
import io
from collections.abc import Iterator
from statistics import fmean
from textwrap import fill
from typing import Any, Final

from apexfix.air import ZERO_CELSIUS_K
from apexfix.compare.agreement import Ends
from apexfix.compare.altimeter import ControlFlight
from apexfix.compare.answer import Compared, Comparison
from apexfix.compare.verdict import sentences
from apexfix.fields import guarded
from apexfix.report.rounding import decimals, fixed
from apexfix.report.table import aligned

FORMAT: Final = 1
LEGEND: Final = "± is one standard deviation. Difference: ground less altimeter. E_n: over the expanded (k = 2) uncertainty."
_WIDTH: Final = 100
_HEAD: Final = ("flight", "ground", "altimeter", "difference", "of the mean", "E_n", "verdict")
_CSV: Final = (
    "flight", "verdict", "ground_m", "sigma_ground_m", "control_m", "sigma_control_m", "difference_m", "percent_of_mean",
    "normalised_error", "indicated_m", "pairing", "control",
)  # fmt: skip


def comparison_text(told: Comparison) -> str:
    """Return the answer for the terminal: a row for each flight, the statistics, and what they say."""
    lines = [told.site, ""]
    if told.compared:
        lines += [*aligned([_HEAD, *(tuple(row_words(row)) for row in told.compared)]), ""]
        lines += [*(_note(f"{name}: {value}") for name, value in statistics_words(told)), ""]
    lines += [*(fill(sentence, _WIDTH) for sentence in sentences(told)), ""]
    lines += [_note(note) for note in notes(told)]
    return "\n".join([*lines, fill(LEGEND, _WIDTH)] if told.compared else lines)


def notes(told: Comparison) -> Iterator[str]:
    """Yield why each pair is one, what was left out, and what there is to say about the flights: each sentence once."""
    for name, reason in told.left_out:
        yield f"not compared: {name}: {reason}"
    for row in told.compared:
        yield f"flight {row.flight} is {row.control.name}, {row.pairing}"
    for remark in dict.fromkeys(remark for row in told.compared for remark in row.control.remarks):
        yield f"{_whom(told, remark)}: {remark}"
    if told.alone:
        yield f"without a control: flight {', '.join(map(str, told.alone))}"
    yield from (f"remark: {remark}" for remark in told.remarks)


def _whom(told: Comparison, remark: str) -> str:
    """Return which flights a remark is about."""
    flights = [str(row.flight) for row in told.compared if remark in row.control.remarks]
    if len(flights) == 1:
        return f"flight {flights[0]}"
    return "every flight" if len(flights) == len(told.compared) else f"flights {', '.join(flights)}"


def exit_code(told: Comparison) -> int:
    """Return 0 where every flight of the control file was compared, 1 where one was left out, 5 where none was compared."""
    return 5 if not told.compared else 1 if told.left_out else 0


def row_words(row: Compared) -> Iterator[str]:
    """Yield the cells of one flight in the order of the columns."""
    yield str(row.flight)
    yield f"{with_sigma(row.ground_m, row.sigma_ground_m)} m"
    yield f"{with_sigma(row.control_m, row.sigma_control_m)} m"
    yield f"{row.difference_m:+z.1f} m"
    yield f"{row.percent_of_mean:+z.1f} %"
    yield f"{row.normalised_error:+z.2f}"
    yield row.verdict.value


def with_sigma(value: float, sigma: float) -> str:
    """Return a figure and its sigma with no more digits than the sigma leaves."""
    places = decimals(sigma)
    return f"{fixed(value, places)} ± {fixed(sigma, places)}"


def statistics_words(told: Comparison) -> Iterator[tuple[str, str]]:
    """Yield the name and the value of each statistic that there are enough flights for."""
    if told.bias is not None:
        yield "bias (mean difference)", f"{told.bias.mean:+z.2f} m, 95 % interval {_ends(told.bias.interval95)} m"
        yield "standard deviation of a difference", f"{told.bias.sd:.2f} m"
        yield "mean difference in per cent of the mean of both heights", f"{mean_percent(told):+z.2f} %"
    if told.limits is not None:
        limits = (told.limits.low, told.limits.low_interval95), (told.limits.high, told.limits.high_interval95)
        yield "limits of agreement", " and ".join(f"{value:+z.1f} m ({_ends(known, 1)})" for value, known in limits)
    if told.concordance is not None:
        value, ends = told.concordance
        yield "concordance (Lin)", f"{value:.4f}" + (f", 95 % interval about {ends[0]:.4f} to {ends[1]:.4f}" if ends else "")
    if told.line is not None:
        ends = told.line.slope_interval95
        slope = f"{told.line.slope:.3f}" + (f" (95 %: {ends[0]:.3f} to {ends[1]:.3f})" if ends else "")
        ratio = f"variance of the ground's own errors over the altimeter's {told.line.error_ratio:.3g}, as stated"
        yield "line (Deming)", f"ground = {told.line.intercept:+z.1f} m + {slope} altimeter; {ratio}"
    if told.fit is not None:
        chi2 = f"chi-square {told.fit.chi2:.2f} on {told.fit.freedom}, probability {told.fit.probability:.3g}"
        yield "against the stated uncertainties", chi2


def mean_percent(told: Comparison) -> float:
    """Return the mean of the flights' differences in per cent, each of the mean of its two heights."""
    return fmean(row.percent_of_mean for row in told.compared)


def _ends(ends: Ends, places: int = 2) -> str:
    return f"{ends[0]:+z.{places}f} to {ends[1]:+z.{places}f}"


def _note(sentence: str) -> str:
    return fill(sentence, _WIDTH, subsequent_indent="    ", break_on_hyphens=False)


# --- for programs ---------------------------------------------------------------------------------------------------


def comparison_document(told: Comparison) -> dict[str, Any]:
    """Return the answer as plain lists, texts and numbers, with full numbers; what is not known is null."""
    return {
        "format": FORMAT,
        "site": told.site,
        "flights": [_flight_document(row) for row in told.compared],
        "without_control": list(told.alone),
        "not_compared": [{"name": name, "reason": reason} for name, reason in told.left_out],
        "clock_offset_s": told.clock_offset_s,
        "mean_percent_of_mean": mean_percent(told) if told.compared else None,
        "bias": told.bias and {"mean_m": told.bias.mean, "sd_m": told.bias.sd, "interval95_m": list(told.bias.interval95)},
        "limits_of_agreement": told.limits
        and {
            "low_m": told.limits.low,
            "high_m": told.limits.high,
            "low_interval95_m": list(told.limits.low_interval95),
            "high_interval95_m": list(told.limits.high_interval95),
        },
        "concordance": told.concordance
        and {"value": told.concordance[0], "interval95": told.concordance[1] and list(told.concordance[1])},
        "deming": told.line
        and {
            "slope": told.line.slope,
            "intercept_m": told.line.intercept,
            "slope_interval95": told.line.slope_interval95 and list(told.line.slope_interval95),
            "intercept_interval95_m": told.line.intercept_interval95 and list(told.line.intercept_interval95),
            "error_variance_ratio_ground_over_control": told.line.error_ratio,
        },
        "consistency": told.fit
        and {
            "chi2": told.fit.chi2,
            "freedom": told.fit.freedom,
            "probability": told.fit.probability,
            "shift_m": told.fit.shift,
            "sigma_shift_m": told.fit.sigma_shift,
            "shift_probability": told.fit.shift_probability,
            "scatter_probability": told.fit.scatter_probability,
        },
        "sentences": list(sentences(told)),
        "remarks": list(told.remarks),
    }


def _flight_document(row: Compared) -> dict[str, Any]:
    return {
        "flight": row.flight,
        "verdict": row.verdict.value,
        "ground_m": row.ground_m,
        "sigma_ground_m": row.sigma_ground_m,
        "control_m": row.control_m,
        "sigma_control_m": row.sigma_control_m,
        "difference_m": row.difference_m,
        "percent_of_mean": row.percent_of_mean,
        "normalised_error": row.normalised_error,
        "pairing": row.pairing,
        "control": _control_document(row.control),
    }


def _control_document(control: ControlFlight) -> dict[str, Any]:
    trace = control.trace
    return {
        "name": control.name,
        "indicated_m": control.indicated_m,
        "temperature_celsius": None if control.air is None else control.air.temperature_k - ZERO_CELSIUS_K,
        "budget_m": {**control.own_m, **control.common_m},
        "common_m": dict(control.common_m),
        "samples": None if trace is None else int(trace.time_s.size),
        "masked_samples": None if trace is None else int(trace.spike.sum()),
        "sampling_loss_bound_m": None if trace is None else trace.top.loss_bound_m,
        "remarks": list(control.remarks),
    }


def comparison_csv(told: Comparison) -> str:
    """Return a row for each flight that was compared; a text that begins like a formula gets a quote before it."""
    out = io.StringIO()
    rows = csv.DictWriter(out, _CSV, extrasaction="ignore", lineterminator="\n")
    rows.writeheader()
    for row in told.compared:
        more = {"indicated_m": row.control.indicated_m, "control": guarded(row.control.name)}
        rows.writerow(_flight_document(row) | more)
    return out.getvalue()
