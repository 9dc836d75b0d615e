"""The mapping of units' clocks to UTC over many simulated days: how wrong is it, and does its sigma say so?

Two comparisons of clocks three hours apart (one group of eight exchanges each), crystals within 30 ppm whose rate swings with the
warmth of the day, USB delays shared unevenly. Beside it: the same exchanges as they are commonly used, the offset of the first
alone, and a straight line through the first and the last exchange.

    python bench/clock_mapping.py [--days 1000]
"""

import argparse

import numpy as np

from apexfix.clock import ClockKey, fit_clock, offset_s
from apexfix.wire import Exchange

KEY = ClockKey("e661", "9f3a01c2", 1)
UTC0_US = 1_800_000_000_000_000
HOUR_US = 3_600_000_000
GROUPS_US = (HOUR_US, 4 * HOUR_US)
# 0.7 ppm of swing in six hours is 0.5 ppm r.m.s.; common practice for crystals: a few ppm over 20 degrees Celsius
SWING = 0.7e-6


class Crystal:
    """What UTC truly is at a time of a unit."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._drift, self._phase = rng.uniform(-30e-6, 30e-6), rng.uniform(0, 2 * np.pi)

    def utc_us(self, t_us):
        turn = 2 * np.pi / (6 * HOUR_US)
        return UTC0_US + t_us + t_us * self._drift + SWING / turn * np.sin(turn * t_us + self._phase)


def exchange(crystal: Crystal, t_us: int, rng: np.random.Generator) -> Exchange:
    """Ask over a link that takes 0.2 to 3 ms each way, and now and then (a busy host) up to 60 ms."""
    there_us, back_us = rng.uniform(200, 3000, 2) + (rng.random(2) < 0.1) * rng.uniform(0, 60_000, 2)
    t1_us, t4_us = round(crystal.utc_us(t_us) - there_us), round(crystal.utc_us(t_us + 200) + back_us)
    return Exchange(*KEY, t1_us, t_us, t_us + 200, t4_us, t1_us - UTC0_US)


def day(rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Return the errors in seconds of our mapping, its sigmas, and the errors of the two common ways, for twenty marks."""
    crystal = Crystal(rng)
    asked = [exchange(crystal, start + n * 20_000, rng) for start in GROUPS_US for n in range(8)]
    t_us = rng.integers(*GROUPS_US, 20)
    utc_us, sigma_s = fit_clock(KEY, asked).utc_us(t_us)
    true_us = crystal.utc_us(t_us)
    first, last = asked[0], asked[-1]
    begin_us, end_us = (-offset_s(one) * 1e6 for one in (first, last))
    line_us = begin_us + (end_us - begin_us) * (t_us - first.t2_us) / (last.t2_us - first.t2_us)
    return (utc_us - true_us) / 1e6, sigma_s, (t_us + begin_us - true_us) / 1e6, (t_us + line_us - true_us) / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=5905)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    ours, sigma_s, single, line = (np.concatenate(part) for part in zip(*(day(rng) for _ in range(options.days)), strict=True))
    print(f"{options.days} days, {len(ours)} marks between two comparisons three hours apart, crystals within 30 ppm")
    print(f"{'':42s}{'rms':>10s}{'95 %':>10s}{'largest':>10s}")
    ways = {"apexfix": ours, "offset of the first exchange alone": single, "line through first and last exchange": line}
    for name, error_s in ways.items():
        size_ms = 1e3 * np.abs(error_s)
        print(f"{name:42s}{np.sqrt(np.mean(size_ms**2)):7.3f} ms{np.quantile(size_ms, 0.95):7.3f} ms{size_ms.max():7.3f} ms")
    scaled = ours / sigma_s
    print(f"stated sigma {1e3 * sigma_s.min():.2f} to {1e3 * sigma_s.max():.2f} ms")
    print(f"rms of error / sigma {np.sqrt(np.mean(scaled**2)):.2f}, normalised variance {np.mean(scaled**2):.2f}")
    print(f"  inside 1.96 sigma {100 * np.mean(np.abs(scaled) < 1.96):.1f} %; worst error / sigma {np.abs(scaled).max():.2f}")
    print(f"days with an error of 5 ms or more: {np.sum(np.abs(ours).reshape(options.days, -1).max(axis=1) >= 5e-3)}")


if __name__ == "__main__":
    main()
