"""A prediction as a text to read and as a document for other programs."""

from math import pi
from typing import Any, Final

from apexfix.predict.boost import burnt_out_kg
from apexfix.predict.closed import Coast, coast
from apexfix.predict.limits import DECIDES
from apexfix.predict.outlook import Ejection, FillSweep, Forecast, Outcome
from apexfix.predict.rocket import Bottle, Burnout, Rocket, kind, nominal
from apexfix.predict.rocket_file import RocketFile

_TITLES: Final = {
    "apex_m": ("apogee", "m"),
    "apex_s": ("time to apogee", "s"),
    "burnout_m_s": ("burnout speed", "m/s"),
    "burnout_m": ("burnout height", "m"),
    "burnout_s": ("burnout time", "s"),
    "apex_downwind_m": ("apogee downwind", "m"),
    "landing_downwind_m": ("landing downwind", "m"),
    "descent_s": ("descent", "s"),
    "flight_s": ("whole flight", "s"),
    "ejection_after_apex_s": ("ejection after apogee", "s"),
}
INPUTS: Final = {
    "drag_coefficient": "drag coefficient",
    "dry_mass_kg": "mass",
    "wind_m_s": "wind",
    "tilt_rad": "launch angle",
    "descent_m_s": "rate of descent",
    "pressure_pa": "pressure",
    "water_m3": "fill",
    "exponent": "polytropic exponent",
    "impulse_ns": "impulse",
    "burn_time_s": "burn time",
    "delay_s": "delay",
    "burnout_m_s": "burnout speed",
}
_SHOWN_SHARE: Final = 0.01
SHARES_MEAN: Final = "variance when only this input varies, of the whole variance (one at a time)"


def forecast_text(file: RocketFile, told: Forecast) -> str:
    """Return the prediction as a person reads it."""
    lines = [f"{file.rocket.name} ({kind(file.rocket)})", "", f"{'':22} {'as stated':>10}   95 % interval        shares"]
    lines += [_row(name, outcome) for name, outcome in told.outcomes.items()]
    lines += ["", f"Shares: {SHARES_MEAN}; those under 1 % are left out."]
    if file.rocket.correlations:
        lines += ["The file states correlations: shares count each input as if it varied freely and may add up to more than 100 %."]
    if file.assumed:
        lines += [f"Assumed, since the file does not state it: {'; '.join(file.assumed)}."]
    lines += ["", *_remarks(file.rocket, told)]
    lines += [f"Note: {warned.reason} ({warned.source})." for warned in told.warnings]
    return "\n".join([*lines, DECIDES])


def forecast_json(file: RocketFile, told: Forecast) -> dict[str, Any]:
    """Return the prediction as a document of plain values; keys carry their units."""
    document: dict[str, Any] = {
        "format": 1,
        "rocket": file.rocket.name,
        "kind": kind(file.rocket),
        "outcomes": {name: _outcome(outcome) for name, outcome in told.outcomes.items()},
        "shares_mean": SHARES_MEAN,
        "assumed": list(file.assumed),
        "without_drag_m": told.without_drag_m,
        "ballistic_downwind_m": told.ballistic_downwind_m,
        "ballistic_s": told.ballistic_s,
        "warnings": [{"reason": warned.reason, "source": warned.source} for warned in told.warnings],
        "advice": DECIDES,
    }
    if told.sweep:
        sweep = told.sweep
        points = [{"fill": fill, "apex_m": apex} for fill, apex in zip(sweep.fill.tolist(), sweep.apex_m.tolist(), strict=True)]
        document["fill_sweep"] = {"best_fill": sweep.best_fill, "best_apex_m": sweep.best_apex_m, "points": points}
    if told.ejection:
        ejected = told.ejection
        document["ejection"] = {
            "after_apex_s": ejected.after_apex_s,
            "speed_m_s": ejected.speed_m_s,
            "height_m": ejected.height_m,
            "below_apex_m": ejected.below_apex_m,
            "landed": ejected.landed,
        }
    return document


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return {
        "nominal": outcome.nominal,
        "sigma": outcome.sigma,
        "interval95": list(outcome.interval95),
        "shares": dict(outcome.shares),
        "together": outcome.together,
    }


def _row(name: str, outcome: Outcome) -> str:
    title, unit = _TITLES[name]
    low, high = outcome.interval95
    shares = [f"{INPUTS[key]} {100 * share:.0f} %" for key, share in outcome.shares.items() if share >= _SHOWN_SHARE]
    return f"{title:22} {outcome.nominal:10.2f}   {low:7.2f} to {high:7.2f} {unit:4} {', '.join(shares)}"


def _remarks(rocket: Rocket, told: Forecast) -> list[str]:
    apex_m = told.outcomes["apex_m"].nominal
    more_percent = 100 * (told.without_drag_m / apex_m - 1)
    lines = [
        f"Without air the same burnout would lead to {told.without_drag_m:.1f} m, {more_percent:.0f} % more: {_why(rocket)}",
        f"If nothing opens it comes down {abs(told.ballistic_downwind_m):.0f} m "
        f"{'downwind' if told.ballistic_downwind_m >= 0 else 'upwind'} after {told.ballistic_s:.1f} s. "
        "Apogee and descent are those of a recovery device that opens at the apogee.",
    ]
    if told.sweep and isinstance(rocket.engine, Bottle):
        lines += _sweep_lines(told.sweep, rocket.engine)
    if told.ejection:
        lines.append(_ejection_line(told.ejection))
    return lines


def _why(rocket: Rocket) -> str:
    """Return why the figure without drag is too high, in numbers of this rocket where its burnout is stated."""
    if not isinstance(rocket.engine, Burnout):
        return "the air brakes the rocket as soon as it is fast."
    stated = nominal(rocket)
    speed = float(stated["burnout_m_s"][0])
    area_m2 = float(stated["drag_coefficient"][0]) * pi / 4 * rocket.diameter_m**2
    body = Coast(float(burnt_out_kg(rocket, stated)[0]), rocket.air.density_kg_m3 * area_m2 / 2)
    weights = body.drag_kg_m * speed**2 / (body.mass_kg * body.gravity_m_s2)
    return (
        f"just after burnout the air pulls it back with {weights:.2f} times its weight, which that figure leaves out. "
        f"The closed form with drag, straight up in still air, gives {rocket.engine.height_m + coast(body, speed).height_m:.1f} m."
    )


def _sweep_lines(sweep: FillSweep, bottle: Bottle) -> list[str]:
    litres = sweep.best_fill * bottle.volume_m3 * 1000
    every = max(len(sweep.fill) // 10, 1)
    points = zip(sweep.fill[::every], sweep.apex_m[::every], strict=True)
    return [
        f"Best fill: {100 * sweep.best_fill:.0f} % of the bottle ({litres:.2f} l) for {sweep.best_apex_m:.1f} m. "
        "Apogee over the fill:",
        "  " + "  ".join(f"{100 * fill:.0f} %: {apex:.1f} m" for fill, apex in points),
    ]


def _ejection_line(ejected: Ejection) -> str:
    if ejected.landed:
        return "The delay is too long: the rocket is on the ground before the ejection. Take a shorter delay."
    side = "before" if ejected.after_apex_s < 0 else "after"
    happens = (
        f"The ejection comes {abs(ejected.after_apex_s):.1f} s {side} the apogee at {ejected.speed_m_s:.1f} m/s, "
        f"{ejected.height_m:.0f} m up and {ejected.below_apex_m:.1f} m below the apogee"
    )
    if ejected.after_apex_s < 0:
        return f"{happens}. A delay too short stops the climb there and opens the canopy at that speed."
    return f"{happens}. A delay too long lets the rocket fall nose down and opens the canopy at that speed."
