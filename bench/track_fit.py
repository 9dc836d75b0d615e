"""How much the track fit gains over the fix from the presses alone.

Flights are integrated numerically with drag and wind and seen by observers whose tubes wander about the model (an
Ornstein-Uhlenbeck process on the sky, and a habit of aiming that lasts a whole track) and trail it. Each presses about the
apex with a sigma of 0.3 s. The press-only fix takes the direction at the press with the full weights of the reduction.
Figures over the same flights:

    press, arc     RMSE of the height, m, for the press-only fix and the track fit; ratio is press / arc
    z              RMS of the track fit's height error over its own sigma: 1 is honest, above 1 too sure
    usable         share of the flights whose track fit calls itself usable (z and arc are of these, and press of the same)

Run: python bench/track_fit.py [flights per row]
"""

import sys
from dataclasses import dataclass, replace
from time import perf_counter

import numpy as np
from scipy.integrate import solve_ivp

from apexfix.model import Flight, Sighting, Site, Station, Track
from apexfix.reduce.day import batch_of
from apexfix.reduce.observe import Defaults, observe
from apexfix.reduce.options import Options
from apexfix.reduce.solve import solve
from apexfix.reduce.track import TrackPriors, fit_tracks, tracked

DEG = np.pi / 180
G = 9.80665
PLACES = {"A": (150.0, 0.0, 1.5), "B": (-80.0, 130.0, 1.5), "C": (-70.0, -140.0, 1.5)}
EPOCH_US = 1_750_000_000_000_000


@dataclass(frozen=True)
class Case:
    name: str
    noise_deg: float = 0.3
    life_s: float = 0.5
    drift_m_s: float = 5.0
    stations: str = "ABC"
    zero_deg: float = 0.0
    aim_deg: float = 0.15  # of a habit that lasts a whole track, each axis
    recovery: bool = False  # a canopy opens between 0.5 s before and 2 s after the apex
    trusted_deg: float | None = None  # what the fit believes of the noise; None: the truth
    trusted_life_s: float | None = None


CASES = (
    *(Case(f"{noise} deg, life {life} s", noise, life, aim_deg=0.0) for noise in (0.05, 0.1, 0.2, 0.3) for life in (0.1, 0.2, 0.5)),
    Case("0.1 deg, 0.5 s, aim 0.15 deg", 0.1),
    Case("0.3 deg, 0.5 s, aim 0.15 deg"),
    Case("0.3 deg, 0.5 s, no drift", drift_m_s=0.0),
    Case("0.3 deg, 0.5 s, 10 m/s drift", drift_m_s=10.0),
    Case("0.3 deg, 0.5 s, two stations", stations="AB"),
    Case("0.3 deg, 0.5 s, zeros 0.3 deg", zero_deg=0.3),
    Case("0.3 deg, 0.5 s, canopy opens", recovery=True),
    Case("0.1 deg, 0.1 s, canopy opens", 0.1, 0.1, recovery=True),
    Case("0.5 deg, 0.5 s, believed 0.3 deg", 0.5, trusted_deg=0.3),
    Case("0.3 deg, 0.1 s, believed 0.5 s", life_s=0.1, trusted_life_s=0.5),
    Case("0.3 deg, 1.0 s, believed 0.5 s", life_s=1.0, trusted_life_s=0.5),
)


def flown(rng, case, times_s):
    """Return (T, 3) positions, the apex and its velocity: a coast with drag in a steady wind, apex at time 0."""
    heading = rng.uniform(0, 2 * np.pi)
    wind = case.drift_m_s * np.array([np.cos(heading), np.sin(heading), 0.0])
    terminal_m_s = rng.uniform(40, 90)
    opens_s = rng.uniform(-0.5, 2.0) if case.recovery else np.inf

    def rates(t, state, sink_m_s):
        air = state[3:] - wind
        drag = -G * np.linalg.norm(air) * air / sink_m_s**2
        return [*state[3:], drag[0], drag[1], drag[2] - G]

    def leg(start, stop, state, sink_m_s):
        return solve_ivp(rates, (start, stop), state, args=(sink_m_s,), rtol=1e-8, atol=1e-9, dense_output=True).sol

    # backwards from a level instant at 0, forwards to the canopy and on; the apex is where the climb ends
    level = np.array([*rng.normal(0, 20, 2), rng.uniform(120, 250), *(wind[:2] + rng.normal(0, 1, 2)), 0.0])
    begin, end = times_s.min() - 2, times_s.max() + 2
    up, down = leg(0.0, begin, level, terminal_m_s), leg(0.0, end, level, terminal_m_s)
    track = np.where(times_s[:, None] < 0, up(times_s).T, down(np.maximum(times_s, 0)).T)
    apex = level
    if opens_s < end:
        at = up(opens_s) if opens_s < 0 else down(opens_s)
        slowed = leg(opens_s, end, at, 5.0)
        later = times_s > opens_s
        track[later] = slowed(times_s[later]).T
        if opens_s < 0:
            fine = np.linspace(opens_s, 0.5, 501)
            apex = slowed(fine)[:, np.argmax(slowed(fine)[2])]
    return track[:, :3], apex[:3]


def wander(rng, count, step_s, case):
    """Return (count, 2) angles of a process whose errors live for life_s."""
    keep = np.exp(-step_s / case.life_s)
    kicks = rng.normal(0, case.noise_deg * DEG, (count, 2)) * np.sqrt([[1.0]] + [[1 - keep**2]] * (count - 1))
    angles = np.empty_like(kicks)
    now = np.zeros(2)
    for i, kick in enumerate(kicks):
        now = keep * now + kick
        angles[i] = now
    return angles


def held(rng, case, position_m, place_m):
    """Return azimuths and elevations of a tube that wanders about (T, 3) positions; by complex numbers and arc sines."""
    sight = position_m - np.asarray(place_m)
    unit = sight / np.linalg.norm(sight, axis=1)[:, None]
    right = np.stack([unit[:, 1], -unit[:, 0], 0 * unit[:, 0]], axis=1)
    right /= np.linalg.norm(right, axis=1)[:, None]
    above = np.cross(right, unit)
    off = wander(rng, len(unit), 0.01, case) + rng.normal(0, case.aim_deg * DEG, 2)
    tube = unit + off[:, :1] * right + off[:, 1:] * above
    zero = rng.normal(0, case.zero_deg * DEG, 2)
    azimuth = np.angle(tube[:, 1] + 1j * tube[:, 0]) + zero[0]
    return np.mod(azimuth, 2 * np.pi), np.arcsin(tube[:, 2] / np.linalg.norm(tube, axis=1)) + zero[1]


def observed(rng, case, number):
    """Return a flight as units log it, and its apex."""
    grid = np.arange(-600, 400) * 0.01
    path, apex = flown(rng, case, grid)
    tracks, sightings = [], []
    for name in case.stations:
        press = rng.normal(0, 0.3)
        lag, clock = max(rng.normal(0.2, 0.1), 0.0), rng.normal(0, 0.02)
        times = press + np.arange(-300, 100) * 0.01
        seen = np.stack([np.interp(times - lag, grid, path[:, i]) for i in range(3)], axis=1)
        azimuth, elevation = held(rng, case, seen, PLACES[name])
        stamps = EPOCH_US + np.round((times + clock) * 1e6).astype(np.int64)
        tracks.append(Track(number, name, stamps, azimuth, elevation, int(stamps[300]), 0.02))
        sightings.append(
            Sighting(number, name, int(stamps[300]), float(azimuth[300]), float(elevation[300]), sigma_time_s=0.02, source="unit")
        )
    return Flight(number, tuple(sightings), tuple(tracks)), apex


def site_of(case):
    sigma = (case.noise_deg if case.trusted_deg is None else case.trusted_deg) * DEG
    zero = case.zero_deg * DEG
    steep = np.cos(50 * DEG)  # a tube that wanders by an angle on the sky moves the azimuth by more
    return Site(
        "bench",
        tuple(Station(n, np.array(PLACES[n]), 0.0, sigma, sigma / steep, zero, zero, None, None) for n in case.stations),
    )


def run(case, flights, seed=1):
    rng = np.random.default_rng(seed)
    site = site_of(case)
    priors = replace(TrackPriors(), correlation_s=case.trusted_life_s or case.life_s)
    options = Options(defaults=Defaults(time_s=0.3), sigma_drift_m_s=max(case.drift_m_s, 1.0) / np.sqrt(2))
    seen = [observed(rng, case, n) for n in range(flights)]
    batch = batch_of([observe(site, flight, options.defaults) for flight, _ in seen])
    press = solve(batch, options).fixes
    begin = perf_counter()
    fits = fit_tracks([tracked(site, flight.tracks, priors) for flight, _ in seen])
    spent = perf_counter() - begin
    truth = np.array([apex for _, apex in seen])
    usable = np.array([fit.usable for fit in fits]) & press.solved
    error = np.array([fit.position_m for fit in fits]) - truth
    sigma = np.sqrt([np.diag(fit.covariance_m2) for fit in fits])
    by_press = (press.position_m - truth)[usable, 2]
    return {
        "press": float(np.sqrt(np.mean(by_press**2))),
        "arc": float(np.sqrt(np.mean(error[usable, 2] ** 2))),
        "z": float(np.sqrt(np.mean((error / sigma)[usable, 2] ** 2))),
        "z_all": float(np.sqrt(np.mean((error / sigma)[usable] ** 2))),
        "bias": float(np.mean(error[usable, 2])),
        "usable": float(usable.mean()),
        "ms": spent / flights * 1e3,
    }


def main():
    flights = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    print(f"{flights} flights a row; heights 120-250 m, stations 150-160 m from the pad, presses 0.3 s")
    print(f"{'case':34} {'press m':>8} {'arc m':>7} {'ratio':>6} {'z':>5} {'z xyz':>6} {'bias m':>7} {'usable':>7} {'ms':>5}")
    for case in CASES:
        row = run(case, flights)
        print(
            f"{case.name:34} {row['press']:8.2f} {row['arc']:7.2f} {row['press'] / row['arc']:6.2f} {row['z']:5.2f} "
            f"{row['z_all']:6.2f} {row['bias']:+7.2f} {100 * row['usable']:6.0f}% {row['ms']:5.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
