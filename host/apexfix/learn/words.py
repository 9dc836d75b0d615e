"""What was learnt, as a text to read and as a document for other programs."""

from typing import Any, Final

from apexfix.learn.gap import Gap, Reason
from apexfix.learn.lesson import Lesson, correlations
from apexfix.learn.ridge import KEPT, PARTED, Ridge
from apexfix.predict.rocket import kind
from apexfix.predict.rocket_file import FIGURES
from apexfix.predict.words import INPUTS

_UNITS: Final = {figure.name: (figure.field, figure.unit) for figures in FIGURES.values() for figure in figures}
_SHOWN_M: Final = 0.05  # parts of a gap below this are not listed unless they explain it alone


def lesson_text(told: Lesson) -> str:
    """Return what was learnt as a person reads it."""
    found = told.posterior
    rocket = found.problem.rocket
    flights = ", ".join(str(one.flight) for one in found.problem.measured)
    lines = [f"{rocket.name} ({kind(rocket)}), learnt from flight {flights}", ""]
    lines += [f"{'':22} {'before':>20}   {'after':>20}   sigma kept"]
    lines += [_row(told, name) for name in found.problem.shared]
    if kind(rocket) != "burnout":
        lines.append(_speed_row(told))
    lines += ["", *_ridge_lines(told.ridge)]
    for gap in told.gaps:
        lines += ["", *_gap_lines(gap)]
    return "\n".join([*lines, *([""] if told.remarks else []), *told.remarks])


def lesson_json(told: Lesson) -> dict[str, Any]:
    """Return what was learnt as a document of plain values; figures are in the units of ROCKET.toml, which their keys name."""
    found, ridge = told.posterior, told.ridge
    return {
        "format": 1,
        "rocket": found.problem.rocket.name,
        "kind": kind(found.problem.rocket),
        "figures": {_UNITS[name][0]: _figure(told, name) for name in found.problem.shared},
        "burnout_m_s": {
            "before": told.speed.before,
            "sigma_before": told.speed.before_sigma,
            "after": told.speed.after,
            "sigma_after": told.speed.after_sigma,
            "correlation_with_drag": told.speed.correlation,
        },
        "correlations": [
            {"between": _UNITS[one][0], "and": _UNITS[other][0], "coefficient": value}
            for (one, other), value in correlations(found).items()
        ],
        "ridge": {
            "figures": [_UNITS[name][0] for name in ridge.names],
            "kept": list(ridge.kept),
            "correlation": ridge.correlation,
            "learnt": list(ridge.learnt),
            "learnt_kept": ridge.learnt_kept,
            "unlearnt_kept": ridge.unlearnt_kept,
            "along_percent": list(ridge.along_percent),
            "data": ridge.data,
            "separated": ridge.unlearnt_kept <= PARTED,
        },
        "flights": [_gap_json(gap) for gap in told.gaps],
        "draws_that_count": found.effective,
        "remarks": [*_ridge_lines(ridge), *told.remarks],
    }


def _figure(told: Lesson, name: str) -> dict[str, float]:
    unit = _UNITS[name][1]
    before, after = told.posterior.problem.rocket.quantities[name], told.posterior.quantities[name]
    return {
        "before": before.value / unit,
        "sigma_before": before.sigma / unit,
        "after": after.value / unit,
        "sigma_after": after.sigma / unit,
    }


def _row(told: Lesson, name: str) -> str:
    figure = _figure(told, name)
    title = f"{INPUTS[name]}{_unit(name)}"
    return _spread_row(title, figure["before"], figure["sigma_before"], (figure["after"], figure["sigma_after"]))


def _speed_row(told: Lesson) -> str:
    speed = told.speed
    return _spread_row("burnout speed, m/s", speed.before, speed.before_sigma, (speed.after, speed.after_sigma))


def _spread_row(title: str, before: float, sigma: float, after: tuple[float, float]) -> str:
    old, new = f"{before:.4g} ± {sigma:.2g}", f"{after[0]:.4g} ± {after[1]:.2g}"
    return f"{title:22} {old:>20}   {new:>20}   {100 * after[1] / sigma:3.0f} %"


def _unit(name: str) -> str:
    """Return the unit in which ROCKET.toml states a figure, after a comma."""
    endings = {"_m_s": "m/s", "_kpa": "kPa", "_kg": "kg", "_ns": "N s", "_s": "s", "_deg": "deg", "_l": "l"}
    field = _UNITS[name][0]
    return next((f", {unit}" for ending, unit in endings.items() if field.endswith(ending)), "")


def _ridge_lines(ridge: Ridge) -> list[str]:
    one, other = (INPUTS[name] for name in ridge.names)
    lines = [_parting(ridge, f"{one} and {other}")]
    if ridge.unlearnt_kept > PARTED:
        drag, push = ridge.along_percent
        lines.append(f"The ridge: {one} {drag:+z.0f} % together with {other} {push:+z.1f} % fits these flights almost as well.")
    lines.append(
        f"Correlation of the two afterwards {ridge.correlation:+z.2f}. Best known now: {ridge.learnt[1]:+z.2f} of {other} "
        f"{ridge.learnt[0]:+z.2f} of {one} (in sigmas of before), which keeps {100 * ridge.learnt_kept:.0f} % of its sigma; "
        f"least: the combination across it, which keeps {100 * ridge.unlearnt_kept:.0f} %."
    )
    return lines


def _parting(ridge: Ridge, both: str) -> str:
    if ridge.data == 1:
        return (
            f"Only one height is known: it cannot separate {both}. "
            "Fly with other masses (flights.toml), or take the time to the apex."
        )
    if ridge.unlearnt_kept > KEPT:
        advice = "Fly with masses that differ more, or take times to the apex."
        return f"{ridge.data} heights and times do not separate {both}. {advice}"
    if ridge.unlearnt_kept > PARTED:
        return f"{ridge.data} heights and times separate {both} in part."
    return f"{ridge.data} heights and times separate {both}."


def _gap_lines(gap: Gap) -> list[str]:
    side = "higher" if gap.height_m >= 0 else "lower"
    lines = [
        f"Flight {gap.flight}: measured {gap.measured_m:.1f} m, predicted {gap.predicted_m:.1f} m: {abs(gap.height_m):.1f} m "
        f"{side}, {abs(gap.height_m) / gap.sigma_m:.1f} sigmas of the stated figures and the measurement together.",
    ]
    if gap.measured_s is not None:
        lines.append(f"  Time to the apex: measured {gap.measured_s:.2f} s, predicted {gap.predicted_s:.2f} s.")
    lines.append(f"  {'':22} {'explains':>9}   {'stated':>9}   {'most likely':>11}   alone it would have to be")
    lines += [_reason_row(reason) for reason in gap.reasons if abs(reason.part_m) >= _SHOWN_M or reason.alone is not None]
    lines.append(f"  {'left to measurement':22} {gap.left_m:+7.1f} m")
    return lines


def _reason_row(reason: Reason) -> str:
    unit = _UNITS[reason.name][1]
    title = f"{INPUTS[reason.name]}{_unit(reason.name)}"
    alone = "no figure within 5 sigmas explains it"
    if reason.alone is not None and reason.alone_sigmas is not None:
        alone = f"{reason.alone / unit:.4g} ({reason.alone_sigmas:+z.1f} sigmas)"
    return f"  {title:22} {reason.part_m:+7.1f} m   {reason.stated / unit:9.4g}   {reason.likely / unit:11.4g}   {alone}"


def _gap_json(gap: Gap) -> dict[str, Any]:
    return {
        "flight": gap.flight,
        "measured_m": gap.measured_m,
        "predicted_m": gap.predicted_m,
        "gap_m": gap.height_m,
        "sigma_m": gap.sigma_m,
        "gap_sigmas": gap.height_m / gap.sigma_m,
        "measured_s": gap.measured_s,
        "predicted_s": gap.predicted_s,
        "reasons": {_UNITS[reason.name][0]: _reason_json(reason) for reason in gap.reasons},
        "left_m": gap.left_m,
    }


def _reason_json(reason: Reason) -> dict[str, float | None]:
    unit = _UNITS[reason.name][1]
    return {
        "part_m": reason.part_m,
        "stated": reason.stated / unit,
        "likely": reason.likely / unit,
        "likely_sigmas": reason.likely_sigmas,
        "alone": None if reason.alone is None else reason.alone / unit,
        "alone_sigmas": reason.alone_sigmas,
    }
