"""How long do a hundred thousand fixes take, against a loop over a general solver, and does the memory grow with the flights only?

    python bench/fix_many_speed.py [flights] [sample]

The loop is scipy.optimize.least_squares, Levenberg-Marquardt, on the same residuals (written out again here) from the same kind of
starting value, without and with an analytic Jacobian, timed on a sample of the flights. Both stop at a relative step of 1e-10.
"""

import sys
import time
import tracemalloc

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from apexfix.reduce import fix_many
from apexfix.units import DEG

Array = NDArray[np.float64]
SIGMA = 0.5 * DEG
STATION_M = np.array([[100.0, 5.0, 1.5], [-45.0, 90.0, 2.0], [-60.0, -80.0, 0.5]])


def readings(flights: int) -> tuple[Array, Array]:
    draw = np.random.default_rng(7)
    apex = np.array([0.0, 0.0, 200.0]) + draw.normal(0.0, 1.0, (flights, 3)) * [20.0, 20.0, 40.0]
    away = apex[:, None, :] - STATION_M
    azimuth = np.arctan2(away[..., 0], away[..., 1]) + SIGMA * draw.normal(0.0, 1.0, away.shape[:2])
    elevation = np.arctan2(away[..., 2], np.hypot(away[..., 0], away[..., 1])) + SIGMA * draw.normal(0.0, 1.0, away.shape[:2])
    return azimuth, elevation


def residual(point: Array, azimuth: Array, elevation: Array) -> Array:
    away = point - STATION_M
    ahead = away[:, 0] * np.sin(azimuth) + away[:, 1] * np.cos(azimuth)
    right = away[:, 0] * np.cos(azimuth) - away[:, 1] * np.sin(azimuth)
    level2, blur2 = ahead**2 + right**2, SIGMA**2 * (away**2).sum(axis=1)
    q = ahead * np.sqrt(1 + right**2 / (ahead**2 + blur2))
    return np.concatenate([right / np.sqrt(level2 + blur2), np.arctan2(away[:, 2], q) - elevation]) / SIGMA


def jacobian(point: Array, azimuth: Array, elevation: Array) -> Array:
    away, up = point - STATION_M, np.array([0.0, 0.0, 1.0])
    to_ahead = np.stack([np.sin(azimuth), np.cos(azimuth), 0 * azimuth], axis=1)
    to_right = np.stack([np.cos(azimuth), -np.sin(azimuth), 0 * azimuth], axis=1)
    ahead, right, height = ((away * axis).sum(axis=1, keepdims=True) for axis in (to_ahead, to_right, up))
    blur2 = SIGMA**2 * (away**2).sum(axis=1, keepdims=True)
    n2, p = ahead**2 + right**2 + blur2, ahead**2 + blur2
    across = (to_right - right / n2 * (ahead * to_ahead + right * to_right + SIGMA**2 * away)) / np.sqrt(n2)
    s = np.sqrt(1 + right**2 / p)
    to_s = (right / p * to_right - right**2 / p**2 * (ahead * to_ahead + SIGMA**2 * away)) / s
    q, to_q = ahead * s, s * to_ahead + ahead * to_s
    return np.concatenate([across, (q * up - height * to_q) / (q**2 + height**2)]) / SIGMA


def loop(azimuth: Array, elevation: Array, **how: object) -> Array:
    start = np.array([0.0, 0.0, 200.0])
    tight = {"method": "lm", "xtol": 1e-10, "ftol": 1e-15, "gtol": 1e-15}
    return np.array(
        [least_squares(residual, start, args=reading, **tight, **how).x for reading in zip(azimuth, elevation, strict=True)]
    )


def peak_mb(flights: int) -> float:
    """Return the most memory that solving so many flights holds at once, the answer included and the readings not."""
    azimuth, elevation = readings(flights)
    tracemalloc.start()
    fix_many(azimuth, elevation, STATION_M, SIGMA, SIGMA)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def main(flights: int, sample: int) -> None:
    azimuth, elevation = readings(flights)
    fix_many(azimuth[:10], elevation[:10], STATION_M, SIGMA, SIGMA)
    times = []
    for _ in range(3):
        begun = time.perf_counter()
        fixes = fix_many(azimuth, elevation, STATION_M, SIGMA, SIGMA)
        times.append(time.perf_counter() - begun)
    ours = min(times)
    print(f"fix_many: {flights} flights x {len(STATION_M)} stations in {ours:.2f} s, {1e6 * ours / flights:.2f} us each")
    print(f"solved: {fixes.solved.mean():.6f} of the flights")
    for words, how in (("gradient by differences", {}), ("own gradient", {"jac": jacobian})):
        begun = time.perf_counter()
        points = loop(azimuth[:sample], elevation[:sample], **how)
        each = (time.perf_counter() - begun) / sample
        apart = np.abs(points - fixes.position_m[:sample]).max()
        print(
            f"scipy.optimize.least_squares, {words}: {1e6 * each:.0f} us each on {sample} flights; "
            f"ratio {each * flights / ours:.0f} (200 is asked for); answers differ by {apart:.1e} m at most (1e-6 is asked for)"
        )
    half, whole = peak_mb(flights // 2), peak_mb(flights)
    print(f"peak memory: {half:.1f} MB for {flights // 2} flights, {whole:.1f} MB for {flights}")
    print(f"ratio {whole / half:.2f}; 2 or less is linear")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000, int(sys.argv[2]) if len(sys.argv) > 2 else 300)
