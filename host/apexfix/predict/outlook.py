"""How high, how far and how sure: the intervals of a flight from the spreads of what is known, and whose share they are."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot
from typing import Final

import numpy as np
from scipy.special import ndtri

from apexfix.air import canopy_drift
from apexfix.model import Vector
from apexfix.predict.batch import Ascents, ascents
from apexfix.predict.boost import charge
from apexfix.predict.bottle import largest_fill
from apexfix.predict.limits import Warned, refuse_fallen, refuse_impossible, speed_warnings, warnings
from apexfix.predict.motion import DOWNWIND, SPEED_DOWNWIND, SPEED_UP, TIME, UP
from apexfix.predict.quantity import at, normal_nodes
from apexfix.predict.reference import Trajectory, trajectory
from apexfix.predict.rocket import Bottle, Rocket, correlation_factor, nominal
from apexfix.units import STANDARD_GRAVITY

SAMPLES: Final = 10_000
_SWEEP: Final = 60  # fills


@dataclass(frozen=True, slots=True)
class Outcome:
    """One figure of a flight that has not happened yet, in the unit of its name."""

    nominal: float  # at the stated figures
    sigma: float
    interval95: tuple[float, float]
    shares: Mapping[str, float]  # input -> variance when only it varies, of the whole variance; largest first
    together: float  # what is left of the whole: inputs acting together or correlated, and the noise of the samples


@dataclass(frozen=True, slots=True)
class FillSweep:
    """Apexes of a water rocket over the fill, all else as stated."""

    fill: Vector  # (N,) share of the bottle that is water
    apex_m: Vector  # (N,)
    best_fill: float
    best_apex_m: float


@dataclass(frozen=True, slots=True)
class Ejection:
    """When the recovery device of a motor with a delay opens in the flight as stated, and what that costs."""

    after_apex_s: float  # negative: before it
    speed_m_s: float
    height_m: float
    below_apex_m: float
    landed: bool  # the ground came first


@dataclass(frozen=True, slots=True)
class Forecast:
    """Everything that `apexfix predict` answers."""

    outcomes: Mapping[str, Outcome]
    warnings: tuple[Warned, ...]
    ballistic_downwind_m: float  # where it comes down if nothing opens, as stated
    ballistic_s: float
    without_drag_m: float  # apex from the same burnout without air
    sweep: FillSweep | None
    ejection: Ejection | None


def forecast(rocket: Rocket, samples: int = SAMPLES, seed: int = 1) -> Forecast:
    """Return the prediction for a rocket.

    Raises
    ------
    ReductionError
        The rocket cannot fly or must not.
    """
    refuse_impossible(rocket)
    stated = nominal(rocket)
    flown = trajectory(rocket, stated)
    refuse_fallen(float(flown.burnout[SPEED_UP]))
    return Forecast(
        outcomes=outcomes(rocket, samples, seed),
        warnings=warnings(rocket) + speed_warnings(rocket.air, hypot(*flown.burnout[[SPEED_DOWNWIND, SPEED_UP]])),
        ballistic_downwind_m=float(flown.ground[DOWNWIND]),
        ballistic_s=float(flown.ground[TIME]),
        without_drag_m=float(flown.burnout[UP] + max(flown.burnout[SPEED_UP], 0.0) ** 2 / (2 * STANDARD_GRAVITY)),
        sweep=fill_sweep(rocket, rocket.engine) if isinstance(rocket.engine, Bottle) else None,
        ejection=ejection(flown, float(stated["delay_s"][0])) if "delay_s" in stated else None,
    )


def outcomes(rocket: Rocket, samples: int = SAMPLES, seed: int = 1) -> dict[str, Outcome]:
    """Return every outcome with its interval: quantiles of random flights; shares by varying one input at a time."""
    names = list(rocket.quantities)
    draw = np.random.default_rng(seed)
    node, weight = normal_nodes()
    random = correlation_factor(names, rocket.correlations) @ latin_scores(draw, len(names), samples)
    # one flight batch holds the random samples, then the stated flight, then seven flights for each input alone
    alone = np.kron(np.eye(len(names)), node)
    scores = np.concatenate([random, np.zeros((len(names), 1)), alone], axis=1)
    values = {name: at(rocket.quantities[name], scores[row]) for row, name in enumerate(names)}
    for name, quantity in rocket.quantities.items():
        values[name][samples] = quantity.value
    return {
        what: _outcome(names, figure[:samples], float(figure[samples]), figure[samples + 1 :].reshape(len(names), -1), weight)
        for what, figure in figures(rocket, values).items()
    }


def latin_scores(draw: np.random.Generator, inputs: int, samples: int) -> Vector:
    """Return standard normal scores (inputs, samples), one from each of so many equally likely strata (a Latin hypercube)."""
    strata = draw.permuted(np.tile(np.arange(samples), (inputs, 1)), axis=1)
    return np.asarray(ndtri((strata + draw.uniform(1e-9, 1, strata.shape)) / samples))


def figures(rocket: Rocket, values: dict[str, Vector]) -> dict[str, Vector]:
    """Return what is predicted for each column of figures, every array (N,)."""
    flown = ascents(rocket, values)
    descent_s, drift_m = _descent(rocket, flown, values)
    found = {
        "apex_m": flown.apex_m,
        "apex_s": flown.apex_s,
        "burnout_m_s": flown.burnout_m_s,
        "burnout_m": flown.burnout_m,
        "burnout_s": flown.burnout_s,
        "apex_downwind_m": flown.apex_downwind_m,
        "landing_downwind_m": flown.apex_downwind_m + drift_m,
        "descent_s": descent_s,
        "flight_s": flown.apex_s + descent_s,
    }
    if "delay_s" in values:
        found["ejection_after_apex_s"] = flown.burnout_s + values["delay_s"] - flown.apex_s
    return found


def _descent(rocket: Rocket, flown: Ascents, values: dict[str, Vector]) -> tuple[Vector, Vector]:
    """Return the time and the way downwind of a descent from the apex at a steady rate."""
    drift_m = canopy_drift(rocket.air, values["wind_m_s"], flown.apex_m, values["descent_m_s"])
    return np.maximum(flown.apex_m, 0.0) / values["descent_m_s"], drift_m


def _outcome(names: list[str], drawn: Vector, stated: float, alone: Vector, weight: Vector) -> Outcome:
    low, high = np.quantile(drawn, [0.025, 0.975])
    whole = float(drawn.var())
    mean = alone @ weight
    single = ((alone - mean[:, None]) ** 2) @ weight
    shares = {name: float(part) / whole if whole > 0 else 0.0 for name, part in zip(names, single, strict=True)}
    ranked = dict(sorted(shares.items(), key=lambda item: -item[1]))
    together = 1 - sum(ranked.values()) if whole > 0 else 0.0
    return Outcome(stated, float(np.sqrt(whole)), (float(low), float(high)), ranked, together)


def fill_sweep(rocket: Rocket, bottle: Bottle) -> FillSweep:
    """Return the apex over fills from 2 % up to the most that can leave, with the best one by a parabola through the top three."""
    stated = nominal(rocket)
    load = charge(rocket, bottle, stated)
    tube_share = bottle.tube_m2 * bottle.tube_m / bottle.volume_m3
    most = float(largest_fill(load.start_pa, load.outside_pa, load.exponent, tube_share)[0])
    fill = np.linspace(0.02, 0.98 * most, _SWEEP)
    values = {name: np.repeat(value, _SWEEP) for name, value in stated.items()} | {"water_m3": fill * bottle.volume_m3}
    apex_m = ascents(rocket, values).apex_m
    top = int(np.clip(np.argmax(apex_m), 1, _SWEEP - 2))
    square, slope, level = np.polyfit(fill[top - 1 : top + 2] - fill[top], apex_m[top - 1 : top + 2], 2)
    shift = float(np.clip(-slope / (2 * square), fill[0] - fill[top], fill[-1] - fill[top])) if square < 0 else 0.0
    return FillSweep(fill, apex_m, float(fill[top]) + shift, float(level + slope * shift + square * shift**2))


def ejection(flown: Trajectory, delay_s: float) -> Ejection:
    """Return where a flight is when the delay ends."""
    when_s = float(flown.burnout[TIME]) + delay_s
    landed = when_s >= flown.ground[TIME]
    state = flown.ground if landed else flown.coast(when_s)
    height_m = 0.0 if landed else float(state[UP])
    speed = hypot(float(state[SPEED_DOWNWIND]), float(state[SPEED_UP]))
    return Ejection(when_s - float(flown.apex[TIME]), speed, height_m, float(flown.apex[UP]) - height_m, bool(landed))
