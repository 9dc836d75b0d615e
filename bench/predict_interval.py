"""How long does the interval of 10 000 flights take, against a loop over scipy's solve_ivp, and do the two agree?

    python bench/predict_interval.py [samples] [loop]

The loop flies a sample of the same flights with DOP853, once at a relative tolerance of 1e-9 (the reference of the tests) and once
at 1e-4, about as good as the batch. Its time is scaled up to all samples. Rockets: docs/example-rockets.
"""

import sys
import time
from pathlib import Path

import numpy as np

from apexfix.predict import Rocket, ascents, outcomes, read_rocket, trajectory
from apexfix.predict.motion import UP
from apexfix.predict.quantity import at

ROCKETS = Path(__file__).resolve().parents[1] / "docs" / "example-rockets"


def interval_s(rocket: Rocket, samples: int) -> float:
    """Return the best of three times of the whole interval, shares included."""
    times = []
    for _ in range(3):
        begun = time.perf_counter()
        outcomes(rocket, samples)
        times.append(time.perf_counter() - begun)
    return min(times)


def loop(rocket: Rocket, values: dict[str, np.ndarray], flights: int, rtol: float) -> tuple[float, np.ndarray]:
    """Return the seconds for each flight and the apexes in metres."""
    begun = time.perf_counter()
    apex_m = [trajectory(rocket, {k: v[[i]] for k, v in values.items()}, rtol).apex[UP] for i in range(flights)]
    return (time.perf_counter() - begun) / flights, np.array(apex_m)


def main(samples: int, flights: int) -> None:
    for kind in ("water", "motor", "burnout"):
        rocket = read_rocket(ROCKETS / f"{kind}.toml").rocket
        draw = np.random.default_rng(4)
        values = {name: at(figure, draw.standard_normal(flights)) for name, figure in rocket.quantities.items()}
        ours, many = interval_s(rocket, samples), ascents(rocket, values).apex_m
        print(f"{kind}: interval of {samples} samples in {ours:.2f} s (2 s is asked for)")
        truth = loop(rocket, values, flights, 1e-9)[1]
        print(f"  batch against 1e-9: apexes differ by {np.abs(many / truth - 1).max():.1e} at most")
        for rtol in (1e-9, 1e-4):
            each, apex_m = loop(rocket, values, flights, rtol)
            apart = np.abs(apex_m / truth - 1).max()
            print(
                f"  loop over solve_ivp at {rtol:g}: {1e3 * each:.1f} ms each on {flights} flights, {each * samples:.0f} s for "
                f"all, off by {apart:.0e}; ratio {each * samples / ours:.0f}"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000, int(sys.argv[2]) if len(sys.argv) > 2 else 50)
