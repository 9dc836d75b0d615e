"""Are heights too high or too low on average, and which stage between the sky and the answer makes them so?

The same invented flights (`apexfix.sim`) are seen by three observers, and each stage adds one thing to the one before. Random
errors come in pairs of opposite sign, whose mean has lost all that is of first order: what is left is a bias, not luck. For each
stage:

    mean            error of the height, % of the height and m, with the standard error over the flights
    of sigma        mean of error over stated sigma
    added           what this stage adds to the one before, m, flight by flight

Then the mean error by when the recovery device opened, by how much the air holds the model (a bottle's terminal speed is a third
of a slim model's), and what the least squares of single readings make of random errors, by how steep they are. The true apex is
the highest point of the integrated flight above the pad; no stage looks at an altimeter.

    python bench/height_bias.py [--flights 60]
"""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from unittest import mock

import numpy as np
from scipy.spatial.transform import Rotation

from apexfix.attitude import Stretch, pointing_of
from apexfix.calibrate.imu import carried_calibration, rate_rad_s, specific_force_g
from apexfix.model import Flight, Sighting, Site, Station, Track
from apexfix.reduce import fix_many
from apexfix.reduce.day import reduce_day
from apexfix.reduce.observe import Defaults
from apexfix.reduce.options import Options
from apexfix.reduce.track import fit_tracks, tracked
from apexfix.sim import imu, meadow, observer
from apexfix.sim.truth import Trajectory, Wind
from apexfix.smoother import smoothed
from apexfix.units import DEG, SECOND_US

EPOCH_US = 1_781_334_000 * SECOND_US
LIFT_OFF_S = observer.SPAN_S[0] + 10.0
TAIL_S = observer.SPAN_S[1] + 1.0
NAMES = "ABC"
PARTS = (imu.MPU6050, imu.LSM6DSOX, imu.MPU6050)
ZERO_DEG, ARM_M, TRAIL_S = 0.1, 0.3, 0.2
BEFORE, AFTER, EVERY = 600, 200, 2  # samples of a window at 200 Hz about the press, every second one
ROOM_C = 25.0
EXACT = {f"RESIDUAL_{name}": 0.0 for name in ("OFFSET_G", "MATRIX", "GYRO_MATRIX", "TUBE_RAD")}


@dataclass(frozen=True)
class Shot:
    """One flight, and all that is drawn for those who see it."""

    number: int
    station_m: np.ndarray  # (3, 3)
    trajectory: Trajectory
    press_s: np.ndarray  # (3,) after the apex
    zero_rad: np.ndarray  # (3, 2) of azimuth and elevation
    survey_m: np.ndarray  # (3, 3)

    @property
    def height_m(self) -> float:
        return float(self.trajectory.apex_m[2])

    @property
    def opens_s(self) -> float:
        """When the recovery device opens, after the apex."""
        return self.trajectory.starts_s[-1] - self.trajectory.apex_s


Held = tuple[np.ndarray, np.ndarray]  # azimuths and elevations of a tube over the window, (400,) each
Hand = Callable[[Shot, int, np.ndarray], Held]  # from a shot, a station and the numbers of the samples at 200 Hz


def drawn(number: int, drag: float = 1.0, ejection_s: float | None = None) -> Shot:
    """Draw a flight; ``drag`` multiplies that of the model, ``ejection_s`` replaces when its device opens."""
    rng = np.random.default_rng([7, number])
    stations = meadow.draw_stations(rng, int(rng.integers(3)))
    speed, toward, phase = (float(rng.uniform(*ends)) for ends in ((1.5, 4.0), (0, 2 * np.pi), (0, 6)))
    wind = Wind(speed, toward, gust_share=0.2, gust_phase_rad=phase)
    own = meadow.draw_rocket

    def model(rng, strength):
        rocket = own(rng, strength)
        return replace(rocket, drag_kg_m=rocket.drag_kg_m * drag, ejection_s=ejection_s or rocket.ejection_s)

    with mock.patch.object(meadow, "draw_rocket", model):
        flight = meadow.draw_flight(rng, wind)
    rng = np.random.default_rng([8, number])
    press_s = rng.normal(0, observer.REACTION_S, 3)
    zeros, survey = rng.normal(0, ZERO_DEG * DEG, (3, 2)), rng.normal(0, meadow.SURVEY_SIGMA_M, (3, 3))
    return Shot(number, stations, flight, press_s, zeros, survey)


# --- where the tubes point ------------------------------------------------------------------------------------------


def trailing(lag_s: float) -> Hand:
    """A tube that points exactly where the model was a moment ago."""

    def held(shot: Shot, station: int, samples: np.ndarray) -> Held:
        time_s = samples / imu.SAMPLE_HZ - LIFT_OFF_S - lag_s
        sight = shot.trajectory.position_m(time_s) - shot.station_m[station]
        return np.arctan2(sight[:, 0], sight[:, 1]), np.arctan2(sight[:, 2], np.hypot(sight[:, 0], sight[:, 1]))

    return held


def followed(wander: float) -> Hand:
    """The simulator's observer, with so much of its wander; a negative figure mirrors it."""

    def held(shot: Shot, station: int, samples: np.ndarray) -> Held:
        return pointed(look_of(shot, station, wander)[samples])

    return held


def sensed(wander: float) -> Hand:
    """The same through a sensor with an exact calibration and the smoother; the heading has no error of its own.

    What a calibration leaves is drawn about zero, alike in the simulator and on a bench: it scatters heights and moves no mean.
    """

    def held(shot: Shot, station: int, samples: np.ndarray) -> Held:
        look = look_of(shot, station, wander)
        rng = np.random.default_rng([9, shot.number, station])
        part = PARTS[station]
        true = imu.faults(rng, part)
        with mock.patch.multiple(imu, **EXACT):
            carried = imu.calibration(rng, true, "bench")
        upper = np.array([0.0, 0.0, 1.0]) - true.tube_body[2] * true.tube_body
        frame = [true.tube_body, upper / np.linalg.norm(upper)]
        tube_from_body, _ = Rotation.align_vectors([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]], frame)
        around = slice(samples[0] - 100, samples[-1] + 100)
        body = look[around] * tube_from_body
        force, rate = imu.motion_of(body, ARM_M)
        counts = imu.counts(rng, part, true, (force, rate, np.full(len(force), ROOM_C)))[samples - around.start]
        scales = {"accel_lsb_per_g": part.accel_lsb_per_g, "gyro_lsb_per_dps": part.gyro_lsb_per_dps}
        calibration = carried_calibration({"calibration": carried, "imu": part.name, **scales})
        still = imu.counts(rng, part, true, (np.tile([0.0, 0.0, 1.0], (600, 1)), np.zeros((600, 3)), np.full(600, ROOM_C)))
        offset = rate_rad_s(calibration, still[:, 3:6], np.zeros(3)).mean(axis=0)
        tilt = Rotation.from_rotvec([*rng.normal(0, 0.15 * DEG, 2), 0.0])  # what the unit's own filter leaves
        known = (tilt * body[BEFORE + 100]).as_quat(scalar_first=True)
        stamps = samples.astype(np.int64) * (SECOND_US // imu.SAMPLE_HZ)
        rates, forces = rate_rad_s(calibration, counts[:, 3:6], offset), specific_force_g(calibration, counts[:, :3])
        stretch = Stretch(stamps, rates, forces, int(stamps[BEFORE // EVERY]), known, 0.002)
        return pointing_of(smoothed([stretch])[0].attitude_wxyz, calibration.tube_body)

    return held


def look_of(shot: Shot, station: int, wander: float) -> Rotation:
    watch = observer.Watch(1, LIFT_OFF_S, shot.trajectory)
    count = round((watch.apex_s + TAIL_S) * imu.SAMPLE_HZ)
    with mock.patch.object(observer, "JITTER_RAD", wander * observer.JITTER_RAD):
        return observer.observe(np.random.default_rng([10, shot.number, station]), shot.station_m[station], (watch,), count)[0]


def pointed(look: Rotation) -> Held:
    """Azimuths and elevations of the forward axis, beyond the zenith where the upper axis looks down."""
    axes = look.as_matrix()
    azimuth, elevation = np.arctan2(axes[:, 0, 0], axes[:, 1, 0]), np.arcsin(np.clip(axes[:, 2, 0], -1, 1))
    over = axes[:, 2, 2] < 0
    return np.where(over, azimuth + np.pi, azimuth), np.where(over, np.pi - elevation, elevation)


# --- what is made of it ---------------------------------------------------------------------------------------------


def seen(shot: Shot, hand: Hand, nuisance: float) -> tuple[Site, Flight]:
    """Return the flight as units log it; ``nuisance`` is how much of the drawn zeros and survey errors it has."""
    stations, sightings, tracks = [], [], []
    for n, name in enumerate(NAMES):
        press = round((LIFT_OFF_S + shot.trajectory.apex_s + shot.press_s[n]) * imu.SAMPLE_HZ)
        samples = np.arange(press - BEFORE, press + AFTER, EVERY)
        azimuth, elevation = np.array(hand(shot, n, samples)) + nuisance * shot.zero_rad[n][:, None]
        azimuth = np.mod(azimuth, 2 * np.pi)
        stamps = EPOCH_US + samples * (SECOND_US // imu.SAMPLE_HZ)
        at = BEFORE // EVERY
        place = shot.station_m[n] + nuisance * shot.survey_m[n]
        stations.append(Station(name, place, meadow.SURVEY_SIGMA_M, None, None, ZERO_DEG * DEG, ZERO_DEG * DEG, None, None))
        sightings.append(
            Sighting(1, name, int(stamps[at]), float(azimuth[at]), float(elevation[at]), sigma_time_s=0.001, source="unit")
        )
        tracks.append(Track(1, name, stamps, azimuth, elevation, int(stamps[at]), 0.001))
    return Site("bench", tuple(stations)), Flight(1, tuple(sightings), tuple(tracks))


@dataclass(frozen=True)
class Heights:
    """Of some flights; NaN where there is no answer."""

    error_m: np.ndarray  # (F,)
    sigma_m: np.ndarray


def by_tracks(shots: Sequence[Shot], hand: Hand, nuisance: float = 0.0) -> Heights:
    ready = []
    for shot in shots:
        site, flight = seen(shot, hand, nuisance)
        ready.append(tracked(site, flight.tracks, start_m=shot.trajectory.apex_m))
    fits = fit_tracks(ready)
    up = np.array([fit.position_m[2] if fit.usable else np.nan for fit in fits])
    return Heights(up - [s.height_m for s in shots], np.sqrt([fit.covariance_m2[2, 2] for fit in fits]))


def by_presses(shots: Sequence[Shot], hand: Hand, options: Options) -> Heights:
    error, sigma = [], []
    for shot in shots:
        site, flight = seen(shot, hand, 0.0)
        (answer,) = reduce_day(site, [replace(flight, tracks=())], options).flights
        solved = answer.position_m is not None
        error.append(answer.position_m[2] - shot.height_m if solved else np.nan)
        sigma.append(np.sqrt(answer.covariance_m2[2, 2]) if solved else np.nan)
    return Heights(np.array(error), np.array(sigma))


def paired(plus: Heights, minus: Heights) -> Heights:
    return Heights((plus.error_m + minus.error_m) / 2, (plus.sigma_m + minus.sigma_m) / 2)


def mean(values: np.ndarray) -> tuple[float, float]:
    """Return the mean of what is finite and its standard error."""
    finite = values[np.isfinite(values)]
    return float(finite.mean()), float(finite.std(ddof=1) / np.sqrt(len(finite)))


def row(name: str, shots: Sequence[Shot], found: Heights, before: Heights | None = None) -> str:
    height = np.array([s.height_m for s in shots])
    percent, metres, scaled = mean(100 * found.error_m / height), mean(found.error_m), mean(found.error_m / found.sigma_m)
    added = "" if before is None else "{:+7.3f} +- {:.3f}".format(*mean(found.error_m - before.error_m))
    told = f"{percent[0]:+7.3f} +- {percent[1]:.3f}  {metres[0]:+7.3f} +- {metres[1]:.3f}  {scaled[0]:+6.2f} +- {scaled[1]:.2f}"
    return f"{name:42} {np.isfinite(found.error_m).sum():4d} {told}  {added}"


# --- the tables -----------------------------------------------------------------------------------------------------


def show_stages(count: int) -> None:
    shots = [drawn(n) for n in range(count)]
    exact, hand = trailing(0.0), followed(0.0)
    at_apex = [replace(shot, press_s=np.zeros(3)) for shot in shots]
    still = Options(defaults=Defaults(time_s=1e-3))
    print(f"{'stage':42} {'n':>4} {'mean, %':>17}  {'mean, m':>17}  {'of sigma':>14}  {'added, m':>17}")
    print(row("presses at the apex, tube on the model", shots, by_presses(at_apex, exact, still)))
    mirrored = [replace(shot, press_s=-shot.press_s) for shot in shots]
    pressed = paired(by_presses(shots, exact, Options()), by_presses(mirrored, exact, Options()))
    print(row("presses with a sigma of 0.3 s", shots, pressed), flush=True)
    never = [drawn(n, ejection_s=60.0) for n in range(count)]
    print(row("tracks, tube on the model, nothing opens", never, by_tracks(never, exact)), flush=True)
    first = by_tracks(shots, exact)
    print(row("tracks, tube on the model, canopy", shots, first), flush=True)
    print(row("the tube trails by 0.2 s", shots, by_tracks(shots, trailing(TRAIL_S)), first), flush=True)
    by_hand = by_tracks(shots, hand)
    print(row("instead, a hand that runs on", shots, by_hand, first), flush=True)
    wandering = paired(*(by_tracks(shots, followed(sign), sign) for sign in (1.0, -1.0)))
    print(row("and wanders; zeros and survey as drawn", shots, wandering, by_hand), flush=True)
    sensors = paired(*(by_tracks(shots, sensed(sign), sign) for sign in (1.0, -1.0)))
    print(row("and is read by sensors and the smoother", shots, sensors, wandering), flush=True)
    opens = np.array([s.opens_s for s in shots])
    print("\nthe tube on the model, by when the recovery device opens")
    for low, high in ((-np.inf, 0.0), (0.0, 0.5), (0.5, 1.0), (1.0, np.inf)):
        chosen = np.flatnonzero((opens >= low) & (opens < high))
        if len(chosen) > 2:
            some = Heights(first.error_m[chosen], first.sigma_m[chosen])
            print(row(f"{low:.1f} to {high:.1f} s after the apex", [shots[i] for i in chosen], some))


def show_drag(count: int) -> None:
    print("\nthe tube on the model, by its drag")
    for drag, speed in ((0.45, 75), (1.0, 50), (4.5, 24)):
        shots = [drawn(n, drag) for n in range(count)]
        print(row(f"terminal speed about {speed} m/s", shots, by_tracks(shots, trailing(0.0))), flush=True)


def show_geometry(pairs: int) -> None:
    print(f"\nleast squares of single readings, three stations about the apex, {pairs} pairs of random errors of opposite sign")
    print(f"{'elevation':>9} {'errors of both angles':>22} {'bias, %':>18} {'stated sigma, %':>16} {'of sigma':>9}")
    for elevation_deg in (45, 60, 75):
        for sigma_deg in (0.3, 1.0):
            percent, sigma = second_order(elevation_deg * DEG, sigma_deg * DEG, pairs)
            told = f"{percent[0]:+9.4f} +- {percent[1]:.4f}"
            print(f"{elevation_deg:8d}° {sigma_deg:20.1f}°  {told:>18} {sigma:16.2f} {percent[0] / sigma:+9.3f}")


def second_order(elevation_rad: float, sigma_rad: float, pairs: int) -> tuple[tuple[float, float], float]:
    """Return the bias of the height with its standard error and the stated sigma, all in per cent."""
    turn = 2 * np.pi * np.arange(3) / 3
    place = np.stack([np.sin(turn), np.cos(turn), np.zeros(3)], axis=-1) * 100 / np.tan(elevation_rad)
    sigma = np.array([sigma_rad / np.cos(elevation_rad), sigma_rad])
    errors = np.random.default_rng(11).normal(0, 1, (pairs, 2, 3)) * sigma[:, None]
    read = np.stack([turn + np.pi, np.full(3, elevation_rad)])
    above, below = (fix_many(*np.moveaxis(read + sign * errors, 1, 0), place, *sigma) for sign in (1, -1))
    height = (above.position_m[:, 2] + below.position_m[:, 2]) / 2
    return mean(height - 100), float(np.sqrt(np.median(above.covariance_m2[:, 2, 2])))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=60)
    parser.add_argument("--pairs", type=int, default=20_000)
    options = parser.parse_args()
    show_stages(options.flights)
    show_drag(options.flights)
    show_geometry(options.pairs)


if __name__ == "__main__":
    main()
