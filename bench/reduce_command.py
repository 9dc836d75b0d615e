"""How long `apexfix reduce` takes for a long day, beside what somebody would write with a general solver.

The day: 200 flights of three sighting units, every press with its window of samples, flown on the real firmware: that takes some
minutes; `--day` names a folder that holds such a day already. Beside it a bare script: the readings of the same flights from the
JSON, each flight solved by `scipy.optimize.least_squares` on angle residuals. It calibrates nothing, matches nothing, fits no arc,
finds no wrong reading and knows no uncertainty.

    python bench/reduce_command.py [--day DIR]
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage
from time import perf_counter

from apexfix.rehearsal import rehearse
from apexfix.sim import meadow, virtual_unit

FLIGHTS, SPACING_S, RUNS = 200, 120.0, 3
BARE = """
import json, sys
import numpy as np
from scipy.optimize import least_squares
from apexfix.day import read_site
from pathlib import Path
site = {s.id: s.position_m for s in read_site(Path(sys.argv[2])).stations}
for flight in json.load(open(sys.argv[1]))["flights"]:
    seen = [(site[r["station"]], np.radians(r["azimuth_deg"]), np.radians(r["elevation_deg"]))
            for r in flight["readings"] if None not in (r["azimuth_deg"], r["elevation_deg"])]
    if len(seen) < 2:
        continue
    place, azimuth, elevation = (np.array(each) for each in zip(*seen))
    def residuals(apex):
        east, north, up = (apex - place).T
        turned = np.angle(np.exp(1j * (azimuth - np.arctan2(east, north))))
        return np.concatenate([turned * np.cos(elevation), elevation - np.arctan2(up, np.hypot(east, north))])
    print(flight["flight"], least_squares(residuals, [0.0, 0.0, 100.0]).x[2])
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--day", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        day = options.day or flown(Path(name) / "day")
        answers = Path(name) / "answers.json"
        reduce = [sys.executable, "-c", "from apexfix.cli import main; main()", "reduce", str(day), "--json"]
        wall_s, cpu_s = best(reduce, answers)
        bare_wall_s, bare_cpu_s = best([sys.executable, "-c", BARE, str(answers), str(day / "site.toml")], Path(name) / "bare.txt")
    print(f"apexfix reduce --json: {wall_s:.2f} s, {cpu_s:.2f} s of processors, best of {RUNS}")
    print(f"bare least squares:    {bare_wall_s:.2f} s, {bare_cpu_s:.2f} s of processors")
    print(f"ratio:                 {wall_s / bare_wall_s:.2f}")


def flown(day: Path) -> Path:
    """Return the folder of a day that was just flown and pulled."""
    meadow.FLIGHTS, meadow._SPACING_S, virtual_unit._FORWARD_LIMIT_S = FLIGHTS, SPACING_S, 3000.0
    rehearse(day, 5, lambda line: print(line, file=sys.stderr, flush=True))
    return day


def best(command: list[str], to: Path) -> tuple[float, float]:
    """Return the least wall time and the least processor time of some runs of a command."""
    return tuple(min(each) for each in zip(*(once(command, to) for _ in range(RUNS)), strict=True))


def once(command: list[str], to: Path) -> tuple[float, float]:
    before, start = getrusage(RUSAGE_CHILDREN), perf_counter()
    with to.open("w", encoding="utf-8") as out:
        ended = subprocess.run(command, stdout=out, stderr=subprocess.DEVNULL, check=False)
    if ended.returncode > 1:  # 1: some flight is unsolved, which an answer may say
        raise SystemExit(f"{command[:3]} ended with {ended.returncode}")
    after = getrusage(RUSAGE_CHILDREN)
    return perf_counter() - start, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


if __name__ == "__main__":
    main()
