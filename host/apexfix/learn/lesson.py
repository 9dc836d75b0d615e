"""Everything that `apexfix learn` answers."""

from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from scipy.stats import chi2

from apexfix.learn.evidence import Evidence
from apexfix.learn.gap import Gap, gaps
from apexfix.learn.posterior import FEW, SAMPLES, Posterior, learnt
from apexfix.learn.problem import EXPONENT, problem
from apexfix.learn.ridge import Ridge, ridge
from apexfix.model import Vector
from apexfix.predict import Rocket, ascents
from apexfix.predict.bottle import EXPONENTS
from apexfix.predict.limits import BOTTLE_LIMIT_PA
from apexfix.predict.outlook import latin_scores
from apexfix.predict.quantity import at
from apexfix.predict.restate import moved, restated
from apexfix.predict.rocket import correlation_factor

_AT_BOUND = 1.5  # sigmas: draws that a bound cuts off at the middle of their bell have a mean 1.32 of their own sigmas from it
_UNLIKELY = 0.01  # chance below which the gaps do not fit the stated sigmas


@dataclass(frozen=True, slots=True)
class Speed:
    """Burnout speed in m/s of the rocket in the conditions of its file."""

    before: float
    before_sigma: float
    after: float
    after_sigma: float
    correlation: float  # with the drag coefficient, afterwards


@dataclass(frozen=True, slots=True)
class Lesson:
    """What the flights say about the rocket, and why they were not as predicted."""

    posterior: Posterior
    ridge: Ridge
    speed: Speed
    gaps: tuple[Gap, ...]
    remarks: tuple[str, ...]


def lesson(rocket: Rocket, seen: Evidence, samples: int = SAMPLES, seed: int = 1) -> Lesson:
    """Return what flights say about a rocket.

    Raises
    ------
    ReductionError
        The drag coefficient or what drives the rocket is stated as exact.
    """
    found = learnt(problem(rocket, seen.measured), samples, seed)
    told = gaps(found)
    return Lesson(found, ridge(found), _speed(found, seed), told, seen.remarks + tuple(_doubts(found, told)))


def _doubts(found: Posterior, told: tuple[Gap, ...]) -> list[str]:
    lines = []
    if found.effective < FEW:
        lines.append(f"Only {found.effective:.0f} random draws count, {FEW} expected: the figures and their sigmas are rough.")
    lines += [*_held(found), *_above_limit(found)]
    for gap in told:
        if chi2.sf((gap.height_m / gap.sigma_m) ** 2, 1) < _UNLIKELY:
            lines.append(
                f"Flight {gap.flight}: the gap is {abs(gap.height_m) / gap.sigma_m:.1f} times its sigma. Some figure is further "
                "off than its sigma says, or something happened that the model does not know; what is learnt from it is then wrong."
            )
    return lines


def _held(found: Posterior) -> list[str]:
    """Return that the exponent lies at a bound, where it does."""
    if EXPONENT not in found.quantities:
        return []
    known = found.quantities[EXPONENT]
    (least, isothermal), (most, adiabatic) = zip(EXPONENTS, ("all heat from the walls", "none"), strict=True)
    return [
        f"The polytropic exponent is held at its bound of {bound:g} ({heat}), beyond which the flights would have it: no air "
        "expands like that. Some other figure (pressure, water, mass, nozzle) is further off than its sigma says."
        for bound, heat in ((least, isothermal), (most, adiabatic))
        if abs(known.value - bound) < _AT_BOUND * known.sigma
    ]


def _above_limit(found: Posterior) -> list[str]:
    """Return that the pressure that the flights ask for is more than a bottle may hold, where it is."""
    known = found.quantities.get("pressure_pa")
    if known is None or known.value <= BOTTLE_LIMIT_PA:
        return []
    return [
        f"The flights ask for {known.value / 1e5:.2f} bar, at most {BOTTLE_LIMIT_PA / 1e5:.1f} bar expected in a drinks bottle: "
        "either the gauge reads too low, which is a danger, or some other figure (volume, nozzle, mass, drag) is off. "
        "'apexfix predict' refuses such a rocket."
    ]


def _speed(found: Posterior, seed: int) -> Speed:
    rocket, names = found.problem.rocket, found.problem.shared
    scores = latin_scores(np.random.default_rng(seed), len(names), found.draws.shape[1])
    before = _burnout_m_s(rocket, names, correlation_factor(names, rocket.correlations) @ scores)
    after = _burnout_m_s(rocket, names, found.draws)
    middle = float(after @ found.weights)
    off = after - middle
    sigma = float(np.sqrt(found.weights @ off**2))
    drag = found.draws[0] - found.mean[0]
    correlation = float((found.weights * off) @ drag / (sigma * np.sqrt(found.covariance[0, 0])))
    return Speed(float(before.mean()), float(before.std()), middle, sigma, correlation)


def _burnout_m_s(rocket: Rocket, names: tuple[str, ...], scores: Vector) -> Vector:
    values = {name: np.full(scores.shape[1], quantity.value) for name, quantity in rocket.quantities.items()}
    values |= {name: at(rocket.quantities[name], scores[row]) for row, name in enumerate(names)}
    return ascents(rocket, values).burnout_m_s


def next_rocket(path: Path, told: Lesson, folder: Path) -> str:
    """Return the text of a ROCKET.toml that states what is known now, to be kept in a folder.

    Raises
    ------
    FileError
        The old file cannot be read or rewritten.
    """
    found = told.posterior
    flights = ", ".join(str(one.flight) for one in found.problem.measured)
    remark = f"Figures as learnt from measured flights ({flights}); do not learn from the same flights again."
    return moved(path, restated(path, found.quantities, correlations(found), remark), folder)


def correlations(found: Posterior) -> dict[tuple[str, str], float]:
    """Return the correlations of the scores afterwards; those with figures of a single flight stay as they were stated."""
    sigmas = np.sqrt(np.diag(found.covariance))
    names = found.problem.shared
    matrix = found.covariance / np.outer(sigmas, sigmas)
    kept = {pair: value for pair, value in found.problem.rocket.correlations.items() if not set(pair) <= set(names)}
    return kept | {(names[i], names[j]): float(matrix[i, j]) for i, j in combinations(range(len(names)), 2)}

