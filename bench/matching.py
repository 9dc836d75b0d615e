"""Simulated launch days with all mishaps mixed: does every mark end in the flight that its observer saw, and if not, is it flagged?

Beside apexfix stands what a person with a spreadsheet does: take the units' own flight numbers as they are.

    python bench/matching.py [--days 2000] [--first-seed 1]

A mark is *right* where it is kept in the match that holds most of its flight's presses, and most of that match's marks are of
that flight; a press by mistake is right where it is set aside, in no flight, or alone; the second press of a double is right
where it is set aside. The press that was right and lost its place to its double is wrong, and so is a lone true press that is
taken for a mistake.
"""

import argparse
import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from apexfix.align import Mark, align

PRESS_SIGMA_S = 0.3
MISSED, DOUBLE, FALSE = 0.05, 0.05, 0.05  # per observer and flight
CLOSE_PAIR = 0.12  # of gaps between flights are 20 s
REBOOT, NO_CLOCK, NOBODY_CLOCKED, EARLIER_DAY = 0.2, 0.1, 0.03, 0.15  # the first two per unit, the others per day
COUNTER_OFF, COUNTER_RESET, BACKSIGHT_FORGOTTEN = 0.1, 0.05, 0.05
MARGIN_WRONG, MARGIN_SILENT = 0.005, 0.0005


@dataclass(slots=True)
class Pressed:
    """A press as it happened: true time, true flight (None: by mistake), and everything that went wrong about it."""

    station: str
    true_s: float
    flight: str | None
    again: bool = False  # the second press of a double
    tags: set[str] = field(default_factory=set)
    counter: int = 0
    boot: int = 0
    mark: Mark | None = None


def drawn_times(rng, count):
    """Return apex times in seconds, and which flights have a neighbour 20 s away."""
    gaps = rng.uniform(150, 900, count)
    close = rng.random(count) < CLOSE_PAIR
    close[0] = False
    gaps[close] = rng.uniform(18, 22, close.sum())
    near = close | np.append(close[1:], False)
    return np.cumsum(gaps), near


def drawn_presses(rng, station, day, times, near):
    """Return what one observer pressed in the order of time."""
    presses = []
    for n, (time_s, pair) in enumerate(zip(times, near, strict=True)):
        tags = {"flight 20 s from another"} if pair else set()
        if rng.random() >= MISSED:
            at = time_s + rng.normal(0, PRESS_SIGMA_S)
            twice = rng.random() < DOUBLE
            presses.append(Pressed(station, at, f"{day}{n}", tags=tags | ({"pressed twice"} if twice else set())))
            if twice:
                presses.append(Pressed(station, at + rng.uniform(0.8, 5.0), f"{day}{n}", again=True, tags=tags | {"pressed twice"}))
    for _ in range(rng.binomial(len(times), FALSE)):
        presses.append(Pressed(station, rng.uniform(times[0] - 300, times[-1] + 300), None, tags={"pressed by mistake"}))
    return sorted(presses, key=lambda press: press.true_s)


def counted(rng, presses, flights):
    """Set the unit's flight numbers: a backsight after a mark counts on, a person who missed a flight may count on by hand."""
    number = 1 + int(rng.random() < COUNTER_OFF) * int(rng.choice([1, 2]))
    reset = rng.integers(1, max(len(presses), 2)) if rng.random() < COUNTER_RESET else -1
    off = number != 1
    seen = -1
    for i, press in enumerate(presses):
        if i == reset:
            number, off = 1, True
        if i and not press.again and rng.random() >= BACKSIGHT_FORGOTTEN:
            number += 1
        index = flights.get(press.flight, seen)
        number += sum(rng.random() < 0.5 for _ in range(max(index - seen - 1, 0)))  # flights that were missed
        seen = max(seen, index)
        press.counter = number
        if off:
            press.tags.add("counter off or reset")


def booted(rng, presses):
    """Cut the day of a unit in two where its power failed, between two presses that are minutes apart."""
    places = [i for i in range(1, len(presses)) if presses[i].true_s - presses[i - 1].true_s > 60]
    if places and rng.random() < REBOOT:
        cut = int(rng.choice(places))
        for press in presses[cut:]:
            press.boot = 1


def clocks_of(rng, station, presses, whole_day_off):
    """Return sigma and true error of each boot's clock; None where it was never compared."""
    boots = sorted({press.boot for press in presses})
    off = whole_day_off or rng.random() < NO_CLOCK
    known = {}
    for boot in boots:
        sigma = float(10 ** rng.uniform(-3, -0.3))
        compared = not off and (len(boots) == 1 or rng.random() < 0.6)
        known[boot] = (sigma, float(rng.normal(0, sigma))) if compared else None
    for press in presses:
        if known[press.boot] is None:
            press.tags.add("station without a clock" if off else "boot without a clock")
    return known


def stamped(rng, station, presses, known, log_from):
    """Turn presses into marks."""
    zero_s = {}
    for n, press in enumerate(presses):
        boot = press.boot
        zero_s.setdefault(boot, press.true_s - rng.uniform(20, 50))
        clock = known.get(boot)
        t_us = round((press.true_s - zero_s[boot]) * 1e6)
        utc_us = None if clock is None else 1_780_000_000_000_000 + round((press.true_s + clock[1]) * 1e6)
        name = f"{station}-{log_from + n}"
        press.mark = Mark(
            key=name, name=name, station=station, boot=f"{station} boot {boot}", log=f"log of {station}", sequence=log_from + n,
            t_us=t_us, utc_us=utc_us, sigma_s=0.0 if clock is None else clock[0], counter=press.counter,
        )  # fmt: skip


def drawn_day(seed):
    rng = np.random.default_rng([seed, 5])
    stations = [f"S{i}" for i in range(rng.integers(2, 5))]
    times, near = drawn_times(rng, int(rng.integers(4, 13)))
    earlier = rng.random() < EARLIER_DAY
    old_times, old_near = drawn_times(rng, int(rng.integers(3, 9)))
    nobody = rng.random() < NOBODY_CLOCKED
    presses = []
    for station in stations:
        today = drawn_presses(rng, station, "today", times, near)
        counted(rng, today, {f"today{n}": n for n in range(len(times))})
        booted(rng, today)
        known = clocks_of(rng, station, today, nobody)
        stamped(rng, station, today, known, 1000)
        presses += today
        if earlier and rng.random() < 0.7:
            old = drawn_presses(rng, station, "old", old_times - 90_000, old_near)
            counted(rng, old, {f"old{n}": n for n in range(len(old_times))})
            for press in old:
                press.boot = -1
                press.tags.add("record of an earlier day")
            stamped(rng, station, old, {}, 0)
            presses += old
    missing = {f for f, n in Counter(p.flight for p in presses if p.flight and not p.again and p.flight.startswith("today")).items()
               if n < len(stations)}  # fmt: skip
    for press in presses:
        if press.flight in missing:
            press.tags.add("flight that another station missed")
        if not press.tags:
            press.tags.add("nothing wrong")
    return presses


def verdicts(presses, places):
    """Yield for every press whether it is right. ``places`` maps the key of a mark to (match, kept)."""
    votes = defaultdict(Counter)
    for press in presses:
        match, kept = places[press.mark.key]
        if match is not None and kept:
            votes[match][press.flight] += 1
    homes = {}
    for press in presses:
        match, kept = places[press.mark.key]
        if press.flight and not press.again and match is not None and kept:
            homes.setdefault(press.flight, Counter())[match] += 1
    for press in presses:
        match, kept = places[press.mark.key]
        if press.flight is None:
            yield match is None or not kept or votes[match].total() == 1
        elif press.again:
            yield not kept
        else:
            home = homes[press.flight].most_common(1)[0][0] if press.flight in homes else None
            yield kept and match is not None and match == home and votes[match][press.flight] == max(votes[match].values())


def by_counter(presses):
    """Return the places that the units' own flight numbers give: one match a number, of a double the last press."""
    last = {(press.station, press.counter): press.mark.key for press in presses}
    return {press.mark.key: (press.counter, last[press.station, press.counter] == press.mark.key) for press in presses}


def judged_day(seed):
    """Return for every press its tags, whether it is right, flagged, and right by its counter."""
    presses = drawn_day(seed)
    found = align([press.mark for press in presses])
    places = {place.mark.key: (place.flight, place.kept) for place in found.places}
    flagged = {place.mark.key: place.ambiguous for place in found.places}
    judged = zip(presses, verdicts(presses, places), verdicts(presses, by_counter(presses)), strict=True)
    return [(press.tags, right, flagged[press.mark.key], counter_right) for press, right, counter_right in judged]


def summary(rows):
    """Return the number of marks and the shares right, wrong without a flag, flagged, and right by counter."""
    count = len(rows)
    wrong = sum(not right for _, right, _, _ in rows)
    silent = sum(not right and not flagged for _, right, flagged, _ in rows)
    return count, 1 - wrong / count, silent / count, sum(row[2] for row in rows) / count, sum(row[3] for row in rows) / count


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=2000)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--show", action="store_true", help="Name the seeds with marks that are wrong without a flag.")
    options = parser.parse_args()
    rows, seeds = [], range(options.first_seed, options.first_seed + options.days)
    with ProcessPoolExecutor(2) as pool:
        for seed, day in zip(seeds, pool.map(judged_day, seeds, chunksize=10), strict=True):
            rows += day
            silent = [(sorted(tags)) for tags, right, flagged, _ in day if not right and not flagged]
            if options.show and silent:
                print(seed, silent)
    tags = sorted({tag for row in rows for tag in row[0]})
    print(f"{'marks':36}{'count':>8}{'right':>9}{'silently wrong':>16}{'flagged':>9}{'right by own number':>21}")
    for name, own in [("all", rows), *((tag, [row for row in rows if tag in row[0]]) for tag in tags)]:
        count, right, silent, flagged, counter = summary(own)
        print(f"{name:36}{count:8d}{right:9.2%}{silent:16.3%}{flagged:9.2%}{counter:21.2%}")
    _, right, silent, _, _ = summary(rows)
    print(f"required: right at least {1 - MARGIN_WRONG:.1%}, silently wrong at most {MARGIN_SILENT:.2%}")
    sys.exit(0 if right >= 1 - MARGIN_WRONG and silent <= MARGIN_SILENT else 1)


if __name__ == "__main__":
    main()
