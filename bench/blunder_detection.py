"""How often the one wrong reading of three stations is named, and whether the height stays within its interval.

A row is one layout and one size of blunder, in sigmas of the reading (pointing and zero together), with either sign, in a reading
drawn at random. Beside: removing the reading with the largest residual over sigma and looking no further, which is what a person
with a calculator would do. "only" is the share of flights in which nothing else was accused.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np

from apexfix.reduce.flight import fits
from apexfix.reduce.options import Options
from apexfix.reduce.solve import Batch, solve

_spec = importlib.util.spec_from_file_location("interval_coverage", Path(__file__).with_name("interval_coverage.py"))
days_of = importlib.util.module_from_spec(_spec)
sys.modules[_spec.name] = days_of  # its dataclasses look themselves up
_spec.loader.exec_module(days_of)

HEIGHT_M = days_of.HEIGHT_M
LAYOUTS = (
    days_of.Case("3 stations at 120 deg, L = h", days_of.ring(3, HEIGHT_M), (10, -6, HEIGHT_M)),
    days_of.Case("3 stations at 120 deg, L = 0.5 h", days_of.ring(3, 0.5 * HEIGHT_M), (10, -6, HEIGHT_M)),
    days_of.Case("3 stations at 120 deg, L = 2 h", days_of.ring(3, 2 * HEIGHT_M), (-30, 20, HEIGHT_M)),
    days_of.Case("3 stations, irregular", np.array([[180.0, 30, 1.5], [-40, 220, 2.0], [-150, -90, 0.5]]), (25, 10, HEIGHT_M)),
)


def blundered(case, days, sigmas, options, seed):
    """Return simulated flights with one wrong reading each, and the index of it among azimuth, elevation, azimuth, ..."""
    good = days_of.simulated(case, days, options, seed)
    draw = np.random.default_rng(seed + 1000)
    which = draw.integers(0, 2 * len(case.station_m), days)
    size = sigmas * np.sqrt(2) * case.sigma_deg * days_of.DEG * draw.choice([-1.0, 1.0], days)
    readings = np.stack([good.azimuth_rad, good.elevation_rad], axis=-1).reshape(days, -1)
    readings[np.arange(days), which] += size
    azimuth, elevation = np.moveaxis(readings.reshape(days, -1, 2), -1, 0)
    return Batch(good.stations, good.station_m, azimuth, elevation, good.stated), which


def detection(case, days, sigmas, seed=3):
    """Return the shares of flights with the wrong reading named, only it named, the height in its interval; and named by eye."""
    options = Options()
    batch, which = blundered(case, days, sigmas, options, seed)
    truth = np.arange(2 * len(case.station_m)) == which[:, None]
    answers = fits(batch, options)
    out = np.array([~fit.kept.ravel() for fit in answers])
    inside = np.array([fit.interval_m[0] <= HEIGHT_M <= fit.interval_m[1] for fit in answers])
    return {
        "named": float(np.mean(np.any(out & truth, axis=1))),
        "only": float(np.mean(np.all(out == truth, axis=1))),
        "inside": float(inside.mean()),
        "by eye": float(np.mean(_largest_residual(batch, options) == which)),
    }


def _largest_residual(batch, options):
    return np.argmax(np.abs(solve(batch, options).whitened()[0]), axis=1)


def main(days=500):
    print(f"{days} flights a row; shares in %")
    print(f"{'':36s}{'blunder':>9s} {'named':>7s} {'only':>7s} {'height inside':>14s} {'largest residual':>17s}")
    worst = 1.0
    for case in LAYOUTS:
        for sigmas in (10, 15, 30, 60):
            found = detection(case, days, sigmas)
            worst = min(worst, found["named"])
            print(
                f"{case.name:36s}{sigmas:6d} s. {100 * found['named']:7.1f} {100 * found['only']:7.1f} "
                f"{100 * found['inside']:14.1f} {100 * found['by eye']:17.1f}",
                flush=True,
            )
    print(f"least often named: {100 * worst:.1f} % (bound: 95)")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
