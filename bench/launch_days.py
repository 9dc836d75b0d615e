"""Many rehearsed launch days through the real command line: are the flights found, and do the 95 % intervals hold the truth?

Beside apexfix stands what the same sightings give by the classical reduction that they would otherwise get: azimuths
crossed, mean of the heights, with no interval at all.

    python bench/launch_days.py [--days 40]
"""

import argparse
import json
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

CLASSICAL = "crossing azimuths, mean height"
COMMAND = [sys.executable, "-c", "from apexfix.cli import main; main()"]


def flown(seed: int) -> list[dict]:
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [*COMMAND, "demo", "--out", str(Path(folder) / "day"), "--seed", str(seed), "--json"], capture_output=True, text=True
        )
    if done.returncode not in (0, 1):
        raise SystemExit(f"seed {seed} ended with {done.returncode}:\n{done.stderr}")
    return [flight | {"seed": seed} for flight in json.loads(done.stdout)["flights"]]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=40)
    parser.add_argument("--first-seed", type=int, default=1)
    options = parser.parse_args()
    flights: list[dict] = []
    with ThreadPoolExecutor(2) as pool:
        for n, day in enumerate(pool.map(flown, range(options.first_seed, options.first_seed + options.days)), 1):
            flights += day
            print(f"\r{n} of {options.days} days", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    show(flights, options.days)


def show(flights: list[dict], days: int) -> None:
    matched = [f for f in flights if f["truth_m"] is not None]
    solved = [f for f in matched if f["height_m"] is not None]
    outside = [f for f in solved if not f["interval95_m"][0] <= f["truth_m"] <= f["interval95_m"][1]]
    error = np.array([f["height_m"] - f["truth_m"] for f in solved])
    scaled = error / np.array([f["sigma_m"] for f in solved])
    print(f"{days} days, {6 * days} flights flown, {len(flights)} answered, {len(matched)} true ones, {len(solved)} solved")
    share = 100 * (1 - len(outside) / len(solved))
    print(f"true height inside the 95 % interval: {len(solved) - len(outside)} of {len(solved)} = {share:.1f} %")
    print(f"height error: rms {rms(error):.2f} m, mean {error.mean():+.2f} m; rms of error/sigma {rms(scaled):.2f}")
    for verdict in ("accepted", "doubtful", "rejected", "unsolved"):
        print(f"  {verdict:9s} {sum(f['verdict'] == verdict for f in flights):4d}")
    for method in sorted({f["method"] for f in solved}):
        print(f"  {method}: {sum(f['method'] == method for f in solved)}")
    beside = np.array([f["methods"].get(CLASSICAL, np.nan) - f["truth_m"] for f in solved])
    both = np.isfinite(beside)
    ours, theirs = rms(error[both]), rms(beside[both])
    print(f"{both.sum()} flights that crossing azimuths solve: rms {ours:.2f} m against {theirs:.2f}, ratio {theirs / ours:.2f}")
    for f in outside:
        low, high = f["interval95_m"]
        place = f"seed {f['seed']} flight {f['flight']}"
        print(f"  outside: {place}: {f['height_m']:.1f} ({low:.1f} .. {high:.1f}), truth {f['truth_m']:.1f}, {f['verdict']}")


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


if __name__ == "__main__":
    main()
