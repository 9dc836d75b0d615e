"""How much of what the angles hold does the fix get out? RMSE of the height against the Cramer-Rao bound, and bias against sigma.

    python bench/fix_efficiency.py [flights per geometry]

A flight has its apex near a height h over the pad, drifted by some per cent of h; the stations stand at the distance L from the
pad. The readings are the true angles plus normal noise of the stated sigma, the same in azimuth and elevation. The bound is
computed here from finite differences of the angles, not from the solver's Jacobian. Beside it stands what a field would otherwise
use: the azimuths crossed and the heights averaged, or for elevations only the mean of L tan E, as the median of its absolute error
over 0.6745 (a crossing of nearly parallel azimuths has no finite variance).
"""

import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from apexfix.reduce import fix_many
from apexfix.units import DEG

Array = NDArray[np.float64]
HEIGHT_M = 200.0
DRIFT = 0.1  # of the height, one sigma per axis
LAYOUTS = {
    "2 at 90": (0, 90),
    "2 at 120": (0, 120),
    "2 at 180": (0, 180),
    "3": (0, 120, 240),
    "5": (0, 72, 144, 216, 288),
    "3 el only": (0, 120, 240),
    "4 el only": (0, 90, 180, 270),
}
RATIOS = (0.25, 0.5, 1.0, 2.0, 4.0)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Of one geometry and noise."""

    solved: float  # share
    efficiency: float  # RMSE over the bound
    bias: float  # over the bound
    bound: float  # sigma of the height over the height
    common: float  # RMSE of common practice over the bound


def stations(bearings_deg: tuple[int, ...], distance_m: float) -> Array:
    turn = np.array(bearings_deg) * DEG
    return np.stack([distance_m * np.sin(turn), distance_m * np.cos(turn), np.full(len(turn), 1.5)], axis=1)


def seen(apex_m: Array, station_m: Array) -> Array:
    """Return (F, N, 2) azimuth and elevation."""
    away = apex_m[:, None, :] - station_m
    level = np.hypot(away[..., 0], away[..., 1])
    return np.stack([np.arctan2(away[..., 0], away[..., 1]), np.arctan2(away[..., 2], level)], axis=-1)


def height_bound(apex_m: Array, station_m: Array, sigma: float, elevation_only: bool) -> Array:
    """Return the (F,) smallest sigma of a height that an unbiased estimator can have."""
    step = 1e-3
    gradient = np.stack(
        [(seen(apex_m + step * axis, station_m) - seen(apex_m - step * axis, station_m)) for axis in np.eye(3)], axis=-1
    )
    gradient = (gradient + np.pi) % (2 * np.pi) - np.pi
    rows = (gradient[:, :, 1:] if elevation_only else gradient).reshape(len(apex_m), -1, 3) / (2 * step * sigma)
    return np.sqrt(np.linalg.inv(np.einsum("fki,fkj->fij", rows, rows))[:, 2, 2])


def common_practice(reading: Array, station_m: Array, elevation_only: bool) -> Array:
    tangent = np.tan(np.clip(reading[..., 1], -1.55, 1.55))
    if elevation_only:
        return (station_m[:, 2] + np.hypot(station_m[:, 0], station_m[:, 1]) * tangent).mean(axis=1)
    sine, cosine = np.sin(reading[..., 0]), np.cos(reading[..., 0])
    cut = sine[:, 1] * cosine[:, 0] - sine[:, 0] * cosine[:, 1]
    east, north = station_m[1, :2] - station_m[0, :2]
    one = (sine[:, 1] * north - cosine[:, 1] * east) / cut
    two = (sine[:, 0] * north - cosine[:, 0] * east) / cut
    return (station_m[:2, 2] + np.stack([one, two], axis=1) * tangent[:, :2]).mean(axis=1)


def measure(layout: str, ratio: float, sigma: float, flights: int, seed: int = 1) -> Outcome:
    """Simulate one geometry."""
    draw = np.random.default_rng(seed)
    elevation_only = layout.endswith("el only")
    place = stations(LAYOUTS[layout], ratio * HEIGHT_M)
    apex = np.array([0.0, 0.0, HEIGHT_M]) + draw.normal(0, 1, (flights, 3)) * HEIGHT_M * min(DRIFT, ratio / 5)
    reading = seen(apex, place) + sigma * draw.normal(0, 1, (flights, len(place), 2))
    azimuth = np.full(reading.shape[:2], np.nan) if elevation_only else reading[..., 0]
    fixes = fix_many(azimuth, reading[..., 1], place, sigma, sigma)
    bound = height_bound(apex, place, sigma, elevation_only)
    ok = fixes.solved
    miss = (fixes.position_m[:, 2] - apex[:, 2])[ok] / bound[ok]
    usual = np.abs(common_practice(reading, place, elevation_only) - apex[:, 2]) / bound
    return Outcome(
        solved=float(ok.mean()),
        efficiency=float(np.sqrt((miss**2).mean())),
        bias=float(miss.mean()),
        bound=float(np.median(bound / apex[:, 2])),
        common=float(np.median(usual) / 0.6745),
    )


def main(flights: int) -> None:
    print(f"{flights} flights per line; height near {HEIGHT_M:.0f} m; bound: sigma of the height in per cent of it")
    for sigma_deg in (0.3, 0.5, 1.0):
        print(f"\nsigma {sigma_deg} deg")
        print(f"{'layout':<10} {'L/h':>5} {'solved':>8} {'bound %':>8} {'RMSE/bound':>11} {'bias/sigma':>11} {'common/bound':>13}")
        for layout in LAYOUTS:
            for ratio in RATIOS:
                o = measure(layout, ratio, sigma_deg * DEG, flights)
                missed = "  <- above" if o.efficiency > 1.03 or abs(o.bias) > 0.1 else ""
                words = f"{layout:<10} {ratio:>5.2f} {o.solved:>8.4f} {100 * o.bound:>8.2f}"
                print(f"{words} {o.efficiency:>11.3f} {o.bias:>11.3f} {o.common:>13.2f}{missed}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
