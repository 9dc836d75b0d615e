"""How often does the 95 % region of drag coefficient and burnout speed (or pressure, or impulse) hold the truth?

    python bench/learning.py [cases] [end-to-end cases] [kind ...]

Truths are drawn from the priors of docs/example-rockets, flown and measured with noise of the stated sigma. Three kinds of
evidence: one height; three flights with different masses; one height with the time to the apex. The truth flies by scipy's
solve_ivp in time (`predict.trajectory`). The end-to-end cases fly the motor in the simulator of launch days, which shares no
mathematics with the prediction, with three masses, sight the apex from two stations with noise and solve the position from the
sightings. The 95 % of binomial luck is given beside each share.
"""

import sys
from collections.abc import Iterator
from math import pi
from pathlib import Path

import numpy as np
from scipy.stats import binom

from apexfix.learn.evidence import Measured, flown_as
from apexfix.learn.posterior import Posterior, learnt, region_distance2
from apexfix.learn.problem import DRAG, drive, problem
from apexfix.predict import Rocket, read_rocket, trajectory
from apexfix.predict.motion import TIME, UP
from apexfix.predict.quantity import at
from apexfix.reduce import fix_many
from apexfix.sim import truth as sim
from apexfix.units import DEG

ROCKETS = Path(__file__).resolve().parents[1] / "docs" / "example-rockets"
REGION = -2 * np.log(0.05)  # chi-square with two degrees of freedom, 95 %
SHARED = {"drag_coefficient", "burnout_m_s", "pressure_pa", "impulse_ns", "exponent", "burn_time_s", "dry_mass_kg"}
SIGMA_HEIGHT_M, SIGMA_TIME_S, SAMPLES = 3.0, 0.05, 800
EVIDENCE = {"one height": ((1.0,), False), "three masses": ((0.7, 1.2, 2.0), False), "height and time": ((1.0,), True)}
STATIONS_M = np.array([[250.0, 0.0, 1.5], [0.0, -250.0, 1.5]])
SIGMA_RAD = 0.5 * DEG


def true_scores(rocket: Rocket, flights: int, draw: np.random.Generator) -> list[dict[str, float]]:
    """Return the scores of each flight: those of the rocket are the same in all."""
    common = {name: draw.standard_normal() for name in rocket.quantities}
    own = [{name: draw.standard_normal() for name in rocket.quantities if name not in SHARED} for _ in range(flights)]
    return [common | one for one in own]


def true_figures(flying: Rocket, scores: dict[str, float]) -> dict[str, np.ndarray]:
    return {name: at(quantity, np.array([scores[name]])) for name, quantity in flying.quantities.items()}


def case(rocket: Rocket, evidence: str, draw: np.random.Generator) -> tuple[Posterior, dict[str, float]]:
    """Return what is learnt from one invented campaign, and its true scores."""
    factors, timed = EVIDENCE[evidence]
    mass_kg, scores = rocket.quantities["dry_mass_kg"].value, true_scores(rocket, len(factors), draw)
    seen = []
    for number, (factor, true) in enumerate(zip(factors, scores, strict=True), 1):
        flying = flown_as(rocket, {"dry_mass_kg": mass_kg * factor}, number)
        apex = trajectory(flying, true_figures(flying, true), rtol=1e-7).apex
        height_m = apex[UP] + draw.normal(0, SIGMA_HEIGHT_M)
        time_s = apex[TIME] + draw.normal(0, SIGMA_TIME_S) if timed else None
        seen.append(Measured(number, height_m, SIGMA_HEIGHT_M, time_s, SIGMA_TIME_S, flying))
    return learnt(problem(rocket, tuple(seen)), SAMPLES, int(draw.integers(1 << 30))), scores[0]


def simulated_apex_m(flying: Rocket, figures: dict[str, np.ndarray], toward_rad: float) -> np.ndarray:
    """Return the apex (3,) of a motor rocket in the simulator of launch days."""
    value = {name: float(figure[0]) for name, figure in figures.items()}
    table, air = flying.engine.curve, flying.air
    impulse_ns = np.trapezoid(table.thrust_n, table.time_s)
    pace = value["burn_time_s"] / table.time_s[-1]
    push = value["impulse_ns"] / impulse_ns / pace
    drag_kg_m = air.density_kg_m3 / 2 * value["drag_coefficient"] * pi / 4 * flying.diameter_m**2
    body = sim.Rocket(
        mass_kg=value["dry_mass_kg"] + flying.engine.case_kg + flying.engine.propellant_kg,
        propellant_kg=flying.engine.propellant_kg,
        thrust_time_s=tuple(table.time_s * pace),
        thrust_n=tuple(table.thrust_n * push),
        drag_kg_m=drag_kg_m,
        canopy_kg_m=drag_kg_m,
        ejection_s=300.0,
    )
    wind_m_s = value["wind_m_s"] * (10 / air.wind_height_m) ** air.wind_exponent
    wind = sim.Wind(wind_m_s, toward_rad, air.wind_exponent)
    return sim.fly(body, sim.Launch(value["tilt_rad"], toward_rad, flying.rail_m), wind).apex_m


def sighted(apex_m: np.ndarray, draw: np.random.Generator) -> tuple[float, float]:
    """Return the height and its sigma that two stations find."""
    east, north, up = (apex_m - STATIONS_M).T
    azimuth_rad = np.arctan2(east, north) + draw.normal(0, SIGMA_RAD, 2)
    elevation_rad = np.arctan2(up, np.hypot(east, north)) + draw.normal(0, SIGMA_RAD, 2)
    sigma = np.full((1, 2), SIGMA_RAD)
    fixed = fix_many(azimuth_rad[None], elevation_rad[None], STATIONS_M, sigma, sigma)
    return float(fixed.position_m[0, 2]), float(np.sqrt(fixed.covariance_m2[0, 2, 2]))


def whole_way(rocket: Rocket, draw: np.random.Generator) -> tuple[Posterior, dict[str, float]]:
    """Return what is learnt from three simulated and sighted flights, and the true scores."""
    mass_kg, scores, seen = rocket.quantities["dry_mass_kg"].value, true_scores(rocket, 3, draw), []
    for number, (factor, true) in enumerate(zip((0.7, 1.2, 2.0), scores, strict=True), 1):
        flying = flown_as(rocket, {"dry_mass_kg": mass_kg * factor}, number)
        height_m, sigma_m = sighted(simulated_apex_m(flying, true_figures(flying, true), draw.uniform(0, 2 * pi)), draw)
        seen.append(Measured(number, height_m, sigma_m, None, 1.0, flying))
    return learnt(problem(rocket, tuple(seen)), SAMPLES, int(draw.integers(1 << 30))), scores[0]


def held(found: Posterior, true: dict[str, float]) -> tuple[bool, ...]:
    """Return whether the joint region holds the truth, then each figure's own interval."""
    pair = (DRAG, drive(found.problem.rocket))
    rows = [found.problem.shared.index(name) for name in pair]
    aim = np.array([true[name] for name in pair])
    off = (aim - (found.mean)[rows]) / np.sqrt(np.diag(found.covariance)[rows])
    return (region_distance2(found, pair, aim) <= REGION, *(np.abs(off) <= 1.96))


def shares(cases: Iterator[tuple[Posterior, dict[str, float]]]) -> tuple[np.ndarray, float, float, int]:
    """Return the three shares, the median and the least effective number of draws, and the count of cases."""
    rows, effective = [], []
    for found, true in cases:
        rows.append(held(found, true))
        effective.append(found.effective)
    return np.mean(rows, axis=0), float(np.median(effective)), min(effective), len(rows)


def line(name: str, result: tuple[np.ndarray, float, float, int]) -> str:
    (joint, drag, push), median, least, count = result
    low, high = binom.interval(0.95, count, 0.95)
    return (
        f"{name:32} {count} cases: joint {joint:.1%}, drag {drag:.1%}, drive {push:.1%} "
        f"(95 % of luck: {low / count:.1%} to {high / count:.1%}); draws that count {median:.0f}, least {least:.0f} of {SAMPLES}"
    )


def main(cases: int, whole: int, kinds: list[str]) -> None:
    for kind in kinds:
        rocket = read_rocket(ROCKETS / f"{kind}.toml").rocket
        for evidence in EVIDENCE:
            draw = np.random.default_rng(20)
            print(line(f"{kind}, {evidence}", shares(case(rocket, evidence, draw) for _ in range(cases))), flush=True)
    rocket = read_rocket(ROCKETS / "motor.toml").rocket
    draw = np.random.default_rng(21)
    if whole:
        print(line("motor, simulated and sighted", shares(whole_way(rocket, draw) for _ in range(whole))), flush=True)


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:3]]
    main(*(numbers + [1000, 300][len(numbers) :]), sys.argv[3:] or ["burnout", "motor", "water"])
