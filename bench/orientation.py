"""How well the tilt of a unit is found again from recorded samples: ours beside what one would otherwise take.

Three recordings: a trial of a public benchmark with an optical reference, a real MPU-6050 at rest, and simulated observers with a
tube at arm's length, whose truth is known. Beside our smoother stand `offlineVQF` of PyPI `vqf` (on the whole recording, as it is
meant), the gyroscope alone from a still start, and the mean of the accelerometer over half a second. All get the same calibrated
samples with the same still offset taken off. Times are processor time of the same run. `offlineVQF` needs even sampling and does
not look at stamps; ours does.

    python bench/orientation.py [--data ../shared/data] [--observers 40]
"""

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
from scipy.io import loadmat
from scipy.ndimage import uniform_filter1d
from scipy.spatial.transform import Rotation
from vqf import offlineVQF

from apexfix.attitude import Stretch, integrated, turned
from apexfix.sim import imu, observer
from apexfix.sim.meadow import draw_flight
from apexfix.sim.truth import Wind
from apexfix.smoother import smoothed
from apexfix.units import DEG

GRAVITY_M_S2 = 9.80665
STILL_S = 10.0
ARM_M = 0.3
SIGMA_SCALE = 0.003
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Recording:
    """Evenly sampled, calibrated, still offset taken off; begins at rest."""

    name: str
    rate_hz: float
    rate_rad_s: np.ndarray  # (N, 3)
    force_g: np.ndarray  # (N, 3)
    error_deg: Callable[[np.ndarray], float]  # from the upward direction in body axes (N, 3)
    windows: tuple[float, float]  # length and hop of ours, in seconds

    @property
    def time_s(self) -> np.ndarray:
        """Stamps (N,)."""
        return np.arange(len(self.force_g)) / self.rate_hz


# --- the ways -------------------------------------------------------------------------------------------------------


def ours(recording: Recording) -> np.ndarray:
    """Windows as a unit records them, overlapping; of each the middle counts."""
    length, hop = (round(seconds * recording.rate_hz) for seconds in recording.windows)
    t_us = np.round(recording.time_s * 1e6).astype(np.int64)
    starts = range(0, len(t_us) - length + 1, hop)
    stretches = []
    for first in starts:
        own, middle = slice(first, first + length), first + length // 2
        known = Rotation.align_vectors([UP], [recording.force_g[middle]])[0].as_quat(scalar_first=True)
        stretches.append(
            Stretch(t_us[own], recording.rate_rad_s[own], recording.force_g[own], int(t_us[middle]), known, SIGMA_SCALE)
        )
    up, edge = np.full(recording.force_g.shape, np.nan), (length - hop) // 2
    for first, seen in zip(starts, smoothed(stretches), strict=True):
        up[first + edge : first + edge + hop] = turned(seen.attitude_wxyz * [1.0, -1.0, -1.0, -1.0], UP)[edge : edge + hop]
    return up


def by_vqf(recording: Recording) -> np.ndarray:
    """The whole recording through the offline filter of the benchmark's authors."""
    force = np.ascontiguousarray(recording.force_g * GRAVITY_M_S2)
    found = offlineVQF(np.ascontiguousarray(recording.rate_rad_s), force, None, 1 / recording.rate_hz)
    return Rotation.from_quat(found["quat6D"], scalar_first=True).inv().apply(UP)


def by_gyro(recording: Recording) -> np.ndarray:
    """Upright at rest, then the gyroscope alone."""
    still = np.mean(recording.force_g[: round(recording.rate_hz)], axis=0)
    known = Rotation.align_vectors([UP], [still])[0].as_quat(scalar_first=True)
    wxyz = integrated(recording.time_s[None], recording.rate_rad_s[None], known[None])[0]
    return Rotation.from_quat(wxyz, scalar_first=True).inv().apply(UP)


def by_accelerometer(recording: Recording) -> np.ndarray:
    """The mean of half a second."""
    mean = uniform_filter1d(recording.force_g, round(0.5 * recording.rate_hz), axis=0)
    return mean / np.linalg.norm(mean, axis=1, keepdims=True)


WAYS = {"our smoother": ours, "offlineVQF": by_vqf, "gyroscope alone": by_gyro, "accelerometer, 0.5 s": by_accelerometer}


# --- the recordings -------------------------------------------------------------------------------------------------


def benchmark_trial(data: Path) -> Recording:
    """Trial 04: inclination error, rms over the samples marked as movement."""
    content = loadmat(data / "broad" / "04_undisturbed_slow_rotation_with_breaks_A.mat")
    rate_hz = content["sampling_rate"].item()
    judged = (content["movement"][:, 0] == 1) & np.all(np.isfinite(content["opt_quat"]), axis=1)
    true = Rotation.from_quat(content["opt_quat"][judged], scalar_first=True).inv().apply(UP)
    still = content["imu_gyr"][: round(STILL_S * rate_hz)].mean(axis=0)

    def error_deg(up: np.ndarray) -> float:
        return rms(np.degrees(angle(up[judged], true)))

    rate, force = content["imu_gyr"] - still, content["imu_acc"] / GRAVITY_M_S2
    return Recording("BROAD trial 04: inclination rmse while moving", rate_hz, rate, force, error_deg, (20.0, 10.0))


def resting_part(data: Path) -> Recording:
    """A real MPU-6050 for 10.9 minutes: how well means of three seconds repeat, of its two level axes the worse."""
    folder = data / "mpu6050_static"
    with h5py.File(folder / "mpu6050_accelerometer.mat") as accel, h5py.File(folder / "mpu6050_gyroscope.mat") as gyro:
        force, rate = accel["accelBuffer"][:], gyro["gyroBuffer"][1:].T * DEG
    rate_hz = (force.shape[1] - 1) / (force[0, -1] - force[0, 0])  # the stamps are those of bursts over a cable
    rate -= rate[: round(STILL_S * rate_hz)].mean(axis=0)

    def error_deg(up: np.ndarray) -> float:
        whole = up[np.all(np.isfinite(up), axis=1)]
        count = round(3.0 * rate_hz)
        means = np.degrees(np.arcsin(whole[: len(whole) // count * count].reshape(-1, count, 3))).mean(axis=1)
        return float(np.max(np.std(means[:, :2], axis=0)))

    return Recording("MPU-6050 at rest: spread of 3 s means of elevation", rate_hz, rate, force[1:].T, error_deg, (3.0, 3.0))


def observers(count: int, seed: int) -> Iterator[Recording]:
    """Observers who follow models with an MPU-6050 at arm's length, noise and still offset alone: elevation about the apex."""
    exact = imu.Faults(np.zeros(3), np.eye(3), np.zeros(3), np.eye(3), np.zeros(3), np.zeros(3), np.array([1.0, 0.0, 0.0]))
    for rng in np.random.default_rng(seed).spawn(count):
        flight = draw_flight(rng, Wind(float(rng.uniform(1.0, 4.0)), float(rng.uniform(0, 2 * np.pi))))
        station = np.array([float(rng.uniform(70, 140)), 0.0, 1.5])
        lift_off_s = observer.SPAN_S[0] + STILL_S
        end_s = lift_off_s + flight.apex_s + 8.0
        watch = observer.Watch(1, lift_off_s, flight)
        look, _ = observer.observe(rng, station, (watch,), round((end_s + observer.SPAN_S[1]) * imu.SAMPLE_HZ))
        force_g, rate_dps = imu.motion_of(look, ARM_M)
        counts = imu.counts(rng, imu.MPU6050, exact, (force_g, rate_dps, np.full(len(force_g), 25.0)))
        every = imu.SAMPLE_HZ // 100
        counts, look = counts[: round(end_s * imu.SAMPLE_HZ) : every], look[: round(end_s * imu.SAMPLE_HZ) : every]
        rate = counts[:, 3:6] / imu.MPU6050.gyro_lsb_per_dps * DEG
        rate -= rate[: round(STILL_S * 100)].mean(axis=0)
        apex = slice(*(round((watch.apex_s + late_s) * 100) for late_s in (-0.5, 0.5)))
        true = np.arcsin(look.inv().apply(UP)[apex, 0])

        def error_deg(up: np.ndarray, apex: slice = apex, true: np.ndarray = true) -> float:
            return float(np.degrees(np.mean(np.arcsin(np.clip(up[apex, 0], -1, 1)) - true)))

        force = counts[:, :3] / imu.MPU6050.accel_lsb_per_g
        yield Recording("simulated observer", 100.0, rate, force, error_deg, (4.0, 2.0))


def angle(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Return the angle between unit vectors (N, 3)."""
    return 2 * np.arcsin(np.clip(np.linalg.norm(a - b, axis=1) / 2, 0.0, 1.0))


def rms(values: np.ndarray) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


# --- the table ------------------------------------------------------------------------------------------------------


def timed(way: Callable[[Recording], np.ndarray], recording: Recording) -> tuple[float, float]:
    """Return the error in degrees and the processor time in seconds."""
    began = time.process_time()
    up = way(recording)
    taken_s = time.process_time() - began
    return recording.error_deg(up), taken_s


def show(title: str, found: dict[str, tuple[float, float, str]]) -> None:
    """Print one recording: error and time of every way, and both over ours."""
    print(title)
    our_error, our_s, _ = found["our smoother"]
    for name, (error, seconds, note) in found.items():
        print(f"  {name:22} {error:8.4f} deg  x {error / our_error:6.2f}   {seconds * 1e3:8.1f} ms  x {seconds / our_s:5.2f}{note}")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, default=Path(__file__).resolve().parents[2] / "shared" / "data")
    parser.add_argument("--observers", type=int, default=40)
    options = parser.parse_args()
    for make in (benchmark_trial, resting_part):
        if options.data.is_dir():
            recording = make(options.data)
            show(recording.name, {name: (*timed(way, recording), "") for name, way in WAYS.items()})
        else:
            print(f"skipped: no recordings at {options.data}")
    watched = list(observers(options.observers, seed=4))
    table = {}
    for name, way in WAYS.items():
        errors, seconds = np.array([timed(way, recording) for recording in watched]).T
        table[name] = (rms(errors), float(np.sum(seconds)), f"   mean {np.mean(errors):+.4f} deg")
    show(f"{options.observers} simulated observers: elevation in the second about the apex, rms", table)


if __name__ == "__main__":
    main()
