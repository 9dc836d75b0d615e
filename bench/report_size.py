"""How long the report of a long day takes to write, and how large it is.

A day of 200 flights with three stations and a track from each, by simulated observers. The limits are what a club can live with:
10 s for the page and its tables, reduction excluded, and 15 MB for the page. The pictures beside it are made on request.

    python bench/report_size.py [--flights 200] [--pictures]
"""

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path
from time import perf_counter, process_time

import numpy as np

from apexfix.cli.report_files import write_report
from apexfix.reduce.day import reduce_day
from apexfix.sim.tracked_day import tracked_day

MOST_S, MOST_MB = 10.0, 15.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=200)
    parser.add_argument("--pictures", action="store_true")
    options = parser.parse_args()
    count = options.flights
    site, flights = tracked_day(np.random.default_rng(1), count)
    reduced_s, answers = timed(lambda: reduce_day(site, flights))
    fitted = sum(bool(result.fitted) for result in answers.flights)
    print(f"{count} flights reduced in {reduced_s:.2f} s; {fitted} with a fitted arc")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        began_s = process_time()
        bare_s, page = timed(lambda: write_report(answers, folder))
        bare_cpu_s = process_time() - began_s
        size_mb = page.stat().st_size / 1e6
        if options.pictures:
            whole_s, _ = timed(lambda: write_report(answers, folder, pictures=True))
            sizes = [path.stat().st_size for path in (folder / "report" / "figures").iterdir()]
            print(f"with {len(sizes)} pictures of {sum(sizes) / 1e6:.1f} MB: {whole_s:.2f} s")
    print(f"page, JSON and tables: {bare_s:.2f} s ({bare_cpu_s:.2f} s of one processor), the page {size_mb:.1f} MB")
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
