"""How often the verdict on an arc through tracks is right: clean flights, and flights with a station whose elevations are off.

The flights are those of `track_fit.py`. Stated are zeros of 0.1 degree, and that is what they are, but for one station whose
elevations, at the press and all along the track, are off by some degrees more. Each flight stands alone, as on a day that is too
short to tell a zero. Beside the shares of the verdicts:

    within 3    share of the accepted flights whose true height lies within three sigmas: an acceptance that is not worth it
                is one outside
    5 %, 1 %    share of the flights whose zeros are called that improbable; of a clean day just that, or a little less

Run: python bench/track_verdict.py [flights per row]
"""

import importlib.util
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from apexfix.model import Flight, Site, Station, Verdict
from apexfix.reduce.at_apex import Arc, zero_check
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options
from apexfix.reduce.track import fit_tracks, tracked

_SPEC = importlib.util.spec_from_file_location("bench_track_fit", Path(__file__).with_name("track_fit.py"))
track_fit = sys.modules.setdefault("bench_track_fit", importlib.util.module_from_spec(_SPEC))
_SPEC.loader.exec_module(track_fit)

DEG = np.pi / 180
ZERO_DEG, NOISE_DEG = 0.1, 0.3
ALONE = Options(whole_day=False)


def site_of(names):
    steep = np.cos(50 * DEG)  # a tube that wanders by an angle on the sky moves the azimuth by more
    sigmas = NOISE_DEG * DEG, NOISE_DEG * DEG / steep, ZERO_DEG * DEG, ZERO_DEG * DEG
    return Site("bench", tuple(Station(n, np.array(track_fit.PLACES[n]), 0.05, *sigmas, None, None) for n in names))


def raised(seen, station, by_rad):
    """Return sightings or tracks with the elevations of one station off."""
    return tuple(replace(own, elevation_rad=own.elevation_rad + by_rad * (own.station == station)) for own in seen)


def flights(count, names, fault_deg=0.0, seed=1):
    """Return flights and their apexes; the elevations of the first station are off by the fault."""
    rng = np.random.default_rng(seed)
    case = track_fit.Case("", NOISE_DEG, 0.5, stations=names, zero_deg=ZERO_DEG)
    seen = [track_fit.observed(rng, case, number) for number in range(1, count + 1)]
    off = [Flight(f.number, *(raised(part, names[0], fault_deg * DEG) for part in (f.sightings, f.tracks))) for f, _ in seen]
    return off, np.array([apex for _, apex in seen])


def zero_checks(names, seen):
    tracks = [tracked(site_of(names), flight.tracks) for flight in seen]
    return [zero_check(Arc(*pair)) for pair in zip(tracks, fit_tracks(tracks), strict=True)]


def run(names, fault_deg, count):
    seen, apexes = flights(count, names, fault_deg)
    results = reduce_day(site_of(names), seen, ALONE).flights
    z = [(r.position_m[2] - a[2]) / np.sqrt(r.covariance_m2[2, 2]) for r, a in zip(results, apexes, strict=True)]
    near = [abs(own) < 3 for own, r in zip(z, results, strict=True) if r.verdict is Verdict.ACCEPTED]
    p = np.array([check.probability for check in zero_checks(names, seen)])
    return Counter(r.verdict.value for r in results), near, (np.mean(p < 0.05), np.mean(p < 0.01))


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"{count} flights a row")
    print(f"{'stations':9}{'fault':>7}{'accepted':>10}{'doubtful':>10}{'rejected':>10}{'within 3':>10}{'5 %':>7}{'1 %':>7}")
    for names in ("AB", "ABC"):
        for fault_deg in (0, 1, 2, 3, 5):
            words, near, share = run(names, fault_deg, count)
            shares = "".join(f"{100 * words[word] / count:8.0f} %" for word in ("accepted", "doubtful", "rejected"))
            within = f"{100 * np.mean(near):8.0f} %" if near else f"{'-':>10}"
            print(f"{names:9}{fault_deg:5} °{shares}{within}{100 * share[0]:5.0f} %{100 * share[1]:5.0f} %", flush=True)


if __name__ == "__main__":
    main()
