"""How often the 95 % interval of the height holds the truth, over simulated days with nuisances drawn from their stated priors.

Every day has its own unit zeros, survey errors, drift and presses; the truth is fixed. Printed beside: the first-order interval
(estimate -+ 1.96 sigma), which a user would otherwise take, and for some of the days the percentiles of a Monte Carlo propagation
(JCGM 101). A share of 20 000 days has a standard error of 0.15 %. "below" and "above" say on which side of the interval the
truth lies when it is missed: 2.5 % each is fair.
"""

import sys
from dataclasses import dataclass

import numpy as np

from apexfix.reduce.least_squares import fix_many
from apexfix.reduce.options import Options
from apexfix.reduce.solve import Batch, solve
from apexfix.reduce.uncertainty import Sigmas, monte_carlo, symmetric_interval

DEG = np.pi / 180
HEIGHT_M = 200.0


@dataclass(frozen=True)
class Case:
    name: str
    station_m: np.ndarray
    truth_m: tuple[float, float, float]
    azimuths: bool = True
    sigma_deg: float = 0.5  # random, and as large again for the zeros
    prior: bool = False


def ring(count, radius_m):
    turn = 2 * np.pi * np.arange(count) / count
    return np.stack([radius_m * np.sin(turn), radius_m * np.cos(turn), np.full(count, 1.5)], axis=-1)


def corner(first_m, second_m):
    """Two stations, 90 degrees apart at the pad."""
    return np.array([[first_m, 0.0, 1.5], [0.0, second_m, 1.5]])


STEEP_M = HEIGHT_M / np.tan(80 * DEG)
CASES = (
    Case("3 stations, L = h", ring(3, HEIGHT_M), (10, -6, HEIGHT_M)),
    Case("2 stations at 90 deg, L = h", corner(HEIGHT_M, HEIGHT_M), (10, -6, HEIGHT_M)),
    Case("3 stations, elevation only, L = h", ring(3, HEIGHT_M), (10, -6, HEIGHT_M), azimuths=False),
    Case("3 stations, L = 0.25 h", ring(3, 0.25 * HEIGHT_M), (10, -6, HEIGHT_M)),
    Case("3 stations, L = 4 h", ring(3, 4 * HEIGHT_M), (10, -6, HEIGHT_M)),
    Case("2 stations, one at 80 deg", corner(HEIGHT_M, STEEP_M), (0, 0, HEIGHT_M)),
    Case("2 stations, both at 80 deg", corner(STEEP_M, STEEP_M), (0, 0, HEIGHT_M)),
    Case("3 stations, L = 0.12 h", ring(3, 0.12 * HEIGHT_M), (0, 0, HEIGHT_M)),
    Case("3 stations, L = 0.12 h, drifted", ring(3, 0.12 * HEIGHT_M), (12, 5, HEIGHT_M)),
    Case("3 stations, L = 0.12 h, 1 deg", ring(3, 0.12 * HEIGHT_M), (0, 0, HEIGHT_M), sigma_deg=1.0),
    Case("3 st., elevation only, L = 0.12 h", ring(3, 0.12 * HEIGHT_M), (3, 2, HEIGHT_M), azimuths=False),
    Case("2 stations, L = 0.12 h, 1 deg", corner(0.12 * HEIGHT_M, 0.12 * HEIGHT_M), (0, 0, HEIGHT_M), sigma_deg=1.0),
    Case("2 st., elevation only, drift prior", corner(HEIGHT_M, HEIGHT_M), (0, 0, HEIGHT_M), azimuths=False, prior=True),
)
SURVEY_M, PRESS_S = 0.1, 0.3


def simulated(case, days, options, seed=1):
    """Return a batch of one flight a day: the truth is moved, fallen, surveyed and read as the priors say."""
    draw = np.random.default_rng(seed)
    count, sigma = len(case.station_m), case.sigma_deg * DEG
    apex = np.broadcast_to(np.array(case.truth_m, dtype=float), (days, 3)).copy()
    if case.prior:
        apex[:, :2] += draw.normal(0, np.hypot(options.drift.slope * HEIGHT_M, options.drift.floor_m), (days, 2))
    press_s = draw.normal(0, PRESS_S, (days, count))
    velocity = draw.normal(0, options.sigma_drift_m_s, (days, 1, 2))
    seen = np.broadcast_to(apex[:, None], (days, count, 3)).copy()
    seen[..., :2] += velocity * press_s[..., None]
    seen[..., 2] -= 9.80665 / 2 * press_s**2
    sight = seen - (case.station_m + draw.normal(0, SURVEY_M, (days, count, 3)))
    east, north, up = np.moveaxis(sight, -1, 0)
    azimuth = np.arctan2(east, north) + draw.normal(0, sigma, (2, days, count)).sum(axis=0)
    elevation = np.arctan2(up, np.hypot(east, north)) + draw.normal(0, sigma, (2, days, count)).sum(axis=0)
    stated = Sigmas(*(np.full((days, count), value) for value in (sigma, sigma, sigma, sigma, SURVEY_M, PRESS_S)))
    names = tuple("ABCDEFGH"[:count])
    return Batch(names, case.station_m, azimuth if case.azimuths else np.full_like(azimuth, np.nan), elevation, stated)


def coverage(case, days, seed=1):
    """Return the shares of days on which each interval holds, lies above and lies below the truth, and of first-order intervals."""
    options = Options()
    solution = solve(simulated(case, days, options, seed), options, leaning=case.prior)
    solved = solution.fixes.solved
    intervals = solution.intervals()
    height = solution.fixes.position_m[:, 2]
    half = 1.96 * np.sqrt(solution.fixes.covariance_m2[:, 2, 2])
    return {
        "solved": float(solved.mean()),
        "first order": _shares(height - half, height + half),
        "apexfix": _shares(intervals.low_m, intervals.high_m),
        "kept first order": float(intervals.first_order.mean()),
        "closed": float(intervals.closed.mean()),
        "solution": solution,
    }


def _shares(low, high):
    below, above = np.mean(high < HEIGHT_M), np.mean(low > HEIGHT_M)
    return float(1 - below - above - np.mean(np.isnan(low))), float(below), float(above)


def monte_carlo_coverage(case, solution, days, draws, seed=2):
    """Return the same for the percentiles of simulated readings about those that were read."""
    draw, count = np.random.default_rng(seed), len(case.station_m)
    ends = []
    for k in range(days):
        inputs = np.concatenate([solution.batch.azimuth_rad[k], solution.lines.elevation_rad[k]])
        drawn = inputs + draw.normal(size=(draws, 2 * count)) * solution.sigma_rad[k].T.ravel()
        sigma = solution.sigma_rad[k]
        heights = monte_carlo(
            lambda y, s=sigma: fix_many(y[:, :count], y[:, count:], case.station_m, s[:, 0], s[:, 1]).position_m[:, 2], drawn
        )
        ends.append(symmetric_interval(heights[np.isfinite(heights)]))
    return _shares(*np.array(ends).T)


def main(days=20_000, monte_carlo_days=400, draws=1000):
    print(f"{days} days a row; share of days (%) on which the 95 % interval holds the height / it is below / it is above")
    beside = f"Monte Carlo, {monte_carlo_days} days"
    print(f"{'':36s}{'solved':>7s} {'first order':>17s} {'this package':>17s} {'(kept)':>7s}   {beside}")
    worst = 0.0
    for case in CASES:
        found = coverage(case, days)
        beside = ""
        if monte_carlo_days and not case.prior:
            beside = _line(monte_carlo_coverage(case, found["solution"], monte_carlo_days, draws))
        print(
            f"{case.name:36s}{100 * found['solved']:7.2f} {_line(found['first order'])} {_line(found['apexfix'])} "
            f"{100 * found['kept first order']:6.1f}   {beside}",
            flush=True,
        )
        worst = max(worst, abs(found["apexfix"][0] - 0.95))
    print(f"furthest from 95 %: {100 * worst:.2f} percentage points (bound: 1.00)")


def _line(shares):
    return "{:6.2f} {:4.1f} {:4.1f} ".format(*(100 * share for share in shares))


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
