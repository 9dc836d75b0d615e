"""Does a planned layout keep its promise, and is it ever worse than a rule of thumb? Twenty invented launches.

    python bench/planner.py [flights]

Flights are drawn from what each plan expects, read with the stated noise by the simulator, and reduced. Printed for each launch:
the sigma that the plan promises, the root mean square error of the reduced heights and the difference of the two, then the best
rule of thumb with no more observers that the field allows, its error on the same flights, and how much of it the plan saves.
"""

import sys
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from apexfix.plan.accuracy import Readings
from apexfix.plan.answer import Plan, Request, make_plan, task_of
from apexfix.plan.expected import Expected, Wind, from_interval
from apexfix.plan.field import Field
from apexfix.plan.sunwatch import Moment
from apexfix.reduce import fix_many
from apexfix.safety import motor_advice, unknown_advice
from apexfix.sim.readings import Noise, simulate_readings

DEG = np.pi / 180
STRIP = Field("strip", np.array([[-40.0, -150.0], [40.0, -150.0], [40.0, 150.0], [-40.0, 150.0]]))
CORNER = Field("pad in a corner", np.array([[-20.0, -15.0], [160.0, -15.0], [160.0, 140.0], [-20.0, 140.0]]))
BEND = Field("bend", np.array([[-30.0, -30.0], [170.0, -30.0], [170.0, 40.0], [40.0, 40.0], [40.0, 180.0], [-30.0, 180.0]]))
AFTERNOON = Moment(datetime(2026, 10, 1, 14, 0, tzinfo=UTC), 47.1 * DEG, 9.2 * DEG, 431.0)
ALLOWED = 0.05


@dataclass(frozen=True)
class Launch:
    apex95_m: tuple[float, float]
    stations: int
    sigma_deg: tuple[float, float | None] = (1.0, 1.0)  # elevation, azimuth; None: elevations alone
    drift: tuple[float, float, float] | None = None  # mean east and north and sigma per axis; None: what is believed of any flight
    field: Field | None = None
    motor: str = "C"
    moment: Moment | None = None


LAUNCHES = (
    Launch((80, 140), 3),
    Launch((80, 140), 2),
    Launch((20, 60), 3),
    Launch((20, 60), 2, (0.5, 0.5)),
    Launch((200, 300), 3, (0.4, 0.7), motor="F"),
    Launch((200, 300), 2, (0.4, 0.7), motor="F"),
    Launch((60, 260), 3),
    Launch((60, 260), 2, (1.0, 3.0)),
    Launch((80, 140), 4),
    Launch((90, 110), 3, (1.0, 1.0), drift=(25.0, 0.0, 8.0)),
    Launch((90, 110), 2, (1.0, 1.0), drift=(0.0, -30.0, 8.0)),
    Launch((80, 140), 3, (1.0, None)),
    Launch((80, 140), 3, (0.5, None), drift=(10.0, 10.0, 10.0)),
    Launch((80, 140), 2, (1.0, None)),
    Launch((80, 140), 1, (1.0, None), drift=(0.0, 0.0, 10.0)),
    Launch((80, 140), 2, field=STRIP),
    Launch((80, 140), 3, field=CORNER),
    Launch((60, 100), 3, field=BEND),
    Launch((40, 80), 3, (1.0, None), field=CORNER),
    Launch((80, 140), 2, moment=AFTERNOON),
)


@dataclass(frozen=True)
class Verdict:
    promised_m: float
    error_m: float
    unsolved: float
    rule: str
    rule_promised_m: float
    rule_error_m: float
    noise: float  # sigma of the ratio of the two errors from so many flights

    @property
    def off(self) -> float:
        return self.error_m / self.promised_m - 1


def expected_of(launch: Launch) -> Expected:
    told = from_interval(launch.apex95_m, Wind(3.0, None), 4.0, (30 * DEG, "30 degrees"))
    if launch.drift is None:
        return told
    east, north, sigma = launch.drift
    return Expected(
        told.apex95_m, np.array([east, north]), sigma**2 * np.eye(2), told.carry, told.wind, told.ballistic_m, "", "invented"
    )  # fmt: skip


def planned(launch: Launch) -> Plan:
    elevation, azimuth = launch.sigma_deg
    readings = Readings(elevation * DEG, None if azimuth is None else azimuth * DEG)
    advice = motor_advice(launch.motor) if launch.motor else unknown_advice()
    return make_plan(Request(expected_of(launch), readings, launch.stations, launch.field, advice, (), launch.moment))


def drawn(expected: Expected, flights: int, seed: int) -> np.ndarray:
    """Return random apexes (not the plan's own draws)."""
    rng = np.random.default_rng(seed)
    low, high = np.log(expected.apex95_m)
    height = np.exp((low + high) / 2 + (high - low) / (2 * 1.959963985) * rng.normal(size=flights))
    return np.column_stack([rng.multivariate_normal(expected.drift_m, expected.drift_covariance_m2, flights), height])


def errors(plan: Plan, station_m: np.ndarray, apex_m: np.ndarray, seed: int) -> np.ndarray:
    """Return the errors of the reduced heights, NaN where a flight has no position."""
    readings = plan.request.readings
    azimuths = readings.sigma_azimuth_rad is not None
    sigma_a = readings.sigma_azimuth_rad if azimuths else 1.0
    noise = Noise(pointing_rad=readings.sigma_elevation_rad, azimuth_rad=sigma_a)
    read = simulate_readings(np.random.default_rng(seed), station_m, apex_m, noise)
    azimuth = read.azimuth_rad if azimuths else np.full_like(read.azimuth_rad, np.nan)
    prior = task_of(plan.request, len(station_m), 2).prior
    fixes = fix_many(azimuth, read.elevation_rad, station_m, sigma_a, readings.sigma_elevation_rad, prior=prior)
    return fixes.position_m[:, 2] - apex_m[:, 2]


def judged(launch: Launch, flights: int, seed: int = 1) -> Verdict:
    plan = planned(launch)
    apex_m = drawn(plan.request.expected, flights, seed)
    error = errors(plan, plan.station_m, apex_m, seed + 1)
    # rules with as many observers or fewer: another observer is another price
    rules = [
        a
        for a in plan.alternatives
        if a.name.startswith(("two at", "two opp", "three at")) and a.fits and len(a.station_m) <= launch.stations
    ]
    both = [(rms(errors(plan, rule.station_m, apex_m, seed + 1)), rule) for rule in rules]
    rule_error_m, rule = min(both, key=lambda pair: pair[0]) if both else (np.inf, None)
    name, promised = ("no rule fits", np.inf) if rule is None else (rule.name, rule.sigma_m)
    return Verdict(plan.sigma_m, rms(error), float(np.isnan(error).mean()), name, promised, rule_error_m, float(flights**-0.5))


def rms(error: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(error**2)))


def main(flights: int = 20_000) -> None:
    print(f"{flights} flights each; error is the root mean square of the reduced height less the true one")
    print(f"{'apex 95 %':>12} st  {'promised':>9} {'error':>9} {'off':>7}  {'rule of thumb':<42} {'error':>9} {'saved':>6}")
    verdicts = [(launch, judged(launch, flights)) for launch in LAUNCHES]
    for launch, v in verdicts:
        saved = "" if np.isinf(v.rule_error_m) else f"{1 - v.error_m / v.rule_error_m:6.1%}"
        low, high = launch.apex95_m
        print(
            f"{low:>4} - {high:>3} m  {launch.stations}  {v.promised_m:7.2f} m {v.error_m:7.2f} m {v.off:+7.1%}  {v.rule:<42} "
            f"{v.rule_error_m:7.2f} m {saved}{'' if not v.unsolved else f'  unsolved {v.unsolved:.2%}'}"
        )
    print(f"furthest from its promise: {max(abs(v.off) for _, v in verdicts):.1%} (bound: {ALLOWED:.0%})")
    worst = max(v.error_m / v.rule_error_m for _, v in verdicts)
    promised = max(v.promised_m / v.rule_promised_m for _, v in verdicts)
    print(f"largest error against the best rule of thumb: {worst:.4f} simulated (+- {flights**-0.5:.4f}), {promised:.4f} promised")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
