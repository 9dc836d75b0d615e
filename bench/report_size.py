"""How long the report of a long day takes to write, and how large it is.

A day of 200 flights with three stations and a track from each, by simulated observers. The limits are what a club can live with:
10 s for the page and its tables, reduction excluded, and 15 MB for the page. The pictures beside it are made on request.

    python bench/report_size.py [--flights 200]
"""

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path
from time import perf_counter

import numpy as np

from apexfix.cli.reduction import write_report
from apexfix.reduce.day import reduce_day
from apexfix.sim.tracked_day import tracked_day

MOST_S, MOST_MB = 10.0, 15.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=200)
    count = parser.parse_args().flights
    site, flights = tracked_day(np.random.default_rng(1), count)
    reduced_s, answers = timed(lambda: reduce_day(site, flights))
    fitted = sum(bool(result.fitted) for result in answers.flights)
    print(f"{count} flights reduced in {reduced_s:.2f} s; {fitted} with a fitted arc")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bare_s, page = timed(lambda: write_report(answers, folder))
        whole_s, _ = timed(lambda: write_report(answers, folder, pictures=True))
        size_mb = page.stat().st_size / 1e6
        pictures = sum(1 for _ in (folder / "report" / "figures").iterdir())
        pictures_mb = sum(path.stat().st_size for path in (folder / "report" / "figures").iterdir()) / 1e6
    print(f"page, JSON and tables: {bare_s:.2f} s, the page {size_mb:.1f} MB")
    print(f"with {pictures} pictures of {pictures_mb:.1f} MB: {whole_s:.2f} s")
    without = replace(answers, flights=tuple(replace(result, tracks=(), fitted=()) for result in answers.flights))
    with tempfile.TemporaryDirectory() as name:
        print(f"the page without tracks: {write_report(without, Path(name)).stat().st_size / 1e6:.1f} MB")
    if bare_s > MOST_S or size_mb > MOST_MB:
        raise SystemExit(f"more than {MOST_S:g} s or {MOST_MB:g} MB")


def timed(work):
    start = perf_counter()
    result = work()
    return perf_counter() - start, result


if __name__ == "__main__":
    main()
