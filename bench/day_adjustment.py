"""What the adjustment of a day makes of six flights whose azimuths are two degrees off at one of three stations.

Readings have 0.3 degrees of random noise; stated are zeros of 0.5 degrees in azimuth and 0.3 in elevation and a survey of 0.1 m.
Printed for several layouts and for how far the apexes spread: the RMSE of height and of level position when each flight is solved
on its own and when the day is solved together; how often exactly the wrong zero is named; its value; and the same for days without
a fault, where a zero should rarely be named. "z" is the RMS of the height errors over their own sigmas on days drawn from the
priors.

Run: python bench/day_adjustment.py [days per row]
"""

import sys
from time import perf_counter

import numpy as np

from apexfix.reduce.adjust import adjust_day
from apexfix.reduce.options import Options
from apexfix.reduce.solve import Batch, solve
from apexfix.reduce.uncertainty import Sigmas

DEG = np.pi / 180
NOISE, AZIMUTH_ZERO, ELEVATION_ZERO, SURVEY_M = 0.3 * DEG, 0.5 * DEG, 0.3 * DEG, 0.1
LAYOUTS = {
    "ring of three": ((150, 0, 1.5), (-80, 130, 1.5), (-70, -140, 1.5)),
    "half the way round": ((200, 0, 1.5), (0, 200, 1.5), (-200, 0, 1.5)),
    "quarter of the way round": ((150, 0, 1.5), (106, 106, 1.5), (0, 150, 1.5)),
    "sixth of the way round": ((200, -100, 1.5), (220, 0, 1.5), (200, 100, 1.5)),
    "two stations": ((150, 0, 1.5), (0, 150, 1.5)),
}


def day_of(rng, places, spread_m, flights=6, *, wrong_rad=0.0, drawn=False):
    """Return apexes and readings; by complex numbers and arc sines."""
    apex = np.column_stack([rng.normal(0, spread_m, (flights, 2)), rng.uniform(100, 250, flights)])
    stations = len(places)
    moved = rng.normal(0, SURVEY_M, places.shape) * drawn
    zero_a, zero_e = rng.normal(0, AZIMUTH_ZERO, stations) * drawn, rng.normal(0, ELEVATION_ZERO, stations) * drawn
    zero_a[-1] += wrong_rad
    sight = apex[:, None] - places - moved
    azimuth = np.angle(sight[..., 1] + 1j * sight[..., 0]) + zero_a + NOISE * rng.normal(size=(flights, stations))
    elevation = np.arcsin(sight[..., 2] / np.linalg.norm(sight, axis=-1)) + zero_e + NOISE * rng.normal(size=azimuth.shape)
    sigmas = (NOISE, NOISE, AZIMUTH_ZERO, ELEVATION_ZERO, SURVEY_M, 0.0)
    stated = Sigmas(*(np.full(azimuth.shape, sigma) for sigma in sigmas))
    return apex, Batch(tuple("ABCDE"[:stations]), places, np.mod(azimuth, 2 * np.pi), elevation, stated)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def row(places, spread_m, days):
    rng = np.random.default_rng(1)
    last = "ABCDE"[len(places) - 1]
    alone, together, named, value, normal, false = [], [], [], [], [], []
    for _ in range(days):
        apex, batch = day_of(rng, places, spread_m, wrong_rad=2 * DEG)
        day = adjust_day(batch)
        alone.append(solve(batch, Options()).fixes.position_m - apex)
        together.append(day.position_m - apex)
        named.append([(c.station, c.quantity) for c in day.flagged] == [(last, "azimuth zero")])
        value.append(day.azimuth_zero_rad[-1] / DEG)
        apex, batch = day_of(rng, places, spread_m, drawn=True)
        healthy = adjust_day(batch)
        false.append(bool(healthy.flagged))
        normal.append((healthy.position_m - apex)[:, 2] / np.sqrt(healthy.covariance_m2[:, 2, 2]))
    alone, together = np.array(alone), np.array(together)
    heights = rms(alone[..., 2]), rms(together[..., 2]), rms(alone[..., :2]), rms(together[..., :2])
    return (*heights, np.mean(named), np.median(value), np.mean(false), rms(normal))


def main():
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(f"{days} days a row; errors in m, each flight alone -> the day together")
    print(f"{'layout':26} {'spread':>6} {'height':>14} {'level':>14} {'named':>6} {'value':>7} {'false':>6} {'z':>5}")
    for name, places in LAYOUTS.items():
        for spread_m in (0.0, 15.0, 40.0):
            h0, h1, l0, l1, named, value, false, z = row(np.array(places, dtype=float), spread_m, days)
            print(
                f"{name:26} {spread_m:4.0f} m {h0:6.2f} ->{h1:5.2f} {l0:6.2f} ->{l1:5.2f} {100 * named:5.0f}% {value:+6.2f}° "
                f"{100 * false:5.0f}% {z:5.2f}",
                flush=True,
            )
    rng = np.random.default_rng(2)
    for flights in (100, 1000):
        _, batch = day_of(rng, np.array(LAYOUTS["ring of three"]), 30.0, flights)
        begin = perf_counter()
        adjust_day(batch)
        print(f"{flights} flights together: {1e3 * (perf_counter() - begin):.0f} ms")


if __name__ == "__main__":
    main()
