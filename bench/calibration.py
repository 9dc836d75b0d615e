"""How true a calibrated unit's elevations are: simulated parts with the tolerances of their data sheets, the whole procedure.

Every unit is drawn anew, recorded at the level of counts (noise of its data sheet, still for 4 s), and calibrated from what a
builder records: 18 poses, a level mark in four rolls and two targets of known height in both faces, all aimed twice with a
hand's error. The aim, the level and the tape have errors as stated; the fit is told their sigmas and nothing else. Beside it:
what the unit reads as it comes, after six faces alone (offset and scale of each axis), and after 18 poses without any target.

The errors at 18 elevations hang together: nearly all of them is one zero. `e/s at 0-85` is the mean square of the error over its
stated sigma, of which 400 units give the mean to 7 % at best; `e/s, 3 ways` is that of the errors along the three directions in
which the stated covariance says that elevations can be wrong at all, to 4 %; `all 11` that of all eleven parameters, to 2 %.

A few units more are calibrated through the real firmware, on registers: the guide's own words move a virtual unit, and what was
pulled is combined as `apexfix calibrate combine` does. Beside each: the same unit at the level of counts.

    python bench/calibration.py [units] [units on the firmware]
"""

import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.linalg import polar

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.calibrate.adjustment import Elevations, Recordings, TargetSighting, adjust
from apexfix.calibrate.coverage import RECOMMENDED
from apexfix.calibrate.faces import six_faces
from apexfix.calibrate.imu import carried_calibration
from apexfix.calibrate.stillness import AIM, REST, Limits, Rest, rest_around, samples_from
from apexfix.calibrate.target import Tape, Target, taped_target
from apexfix.link import open_port
from apexfix.session import Session
from apexfix.sim import imu
from apexfix.sim.builder import Builder, Sight
from apexfix.units import DEG
from apexfix.workshop import tour
from apexfix.workshop.answers import elevations
from apexfix.workshop.bench import read_bench
from apexfix.workshop.guide import Desk

UNITS = 400
ON_FIRMWARE = 3
JUDGED_RAD = np.linspace(0.0, 85.0, 18) * DEG
SIGMA_AIM_RAD = 0.05 * DEG
LEVEL = Target("level", 0.0, 0.02 * DEG)  # a water level: 4 mm over 12 m
GABLE = Tape(6.5, 1.5, 12.0, 0.01, 0.005, 0.02)
TOWER = Tape(15.0, 1.5, 15.0, 0.015, 0.005, 0.02)
TARGETS = (LEVEL, taped_target("gable", GABLE), taped_target("tower", TOWER))
POSE_CARELESS = 0.1  # of a radian: how far a hand misses the pose that it was asked for
STILL_S = 4.0


@dataclass(frozen=True)
class Outcome:
    """Errors of elevation over JUDGED_RAD of one unit, and the sigmas stated for the full procedure."""

    raw_rad: np.ndarray
    faces_rad: np.ndarray
    poses_rad: np.ndarray
    full_rad: np.ndarray
    stated_rad: np.ndarray
    ways: np.ndarray  # (3,) errors along the stated covariance's main directions, over their sigmas
    parameters: float  # mean square of the errors of the eleven parameters, decorrelated, over their sigmas


def outcomes(part: imu.Part, units: int, seed: int) -> Iterator[Outcome]:
    """Yield what calibrating so many units of a kind gives."""
    for rng in np.random.default_rng(seed).spawn(units):
        true = imu.faults(rng, part)
        recorded = record(rng, part, true)
        readings = readings_at(true)
        full = adjust(recorded, np.eye(3), SIGMA_AIM_RAD)
        poses = adjust(Recordings(recorded.poses), np.eye(3))
        full_rad = full.elevation_rad(readings) - JUDGED_RAD
        yield Outcome(
            raw_rad=elevation(readings) - JUDGED_RAD,
            faces_rad=elevation(by_faces(rng, part, true, readings)) - JUDGED_RAD,
            poses_rad=poses.elevation_rad(readings) - JUDGED_RAD,
            full_rad=full_rad,
            stated_rad=full.sigma_rad(JUDGED_RAD),
            ways=along_main_ways(full, full_rad),
            parameters=parameter_error(full, true),
        )


def along_main_ways(found: Elevations, error_rad: np.ndarray) -> np.ndarray:
    """Return (3,) errors along the three largest directions of the stated covariance, over their sigmas."""
    variance, ways = np.linalg.eigh(found.covariance_rad2(JUDGED_RAD))
    return (ways.T @ error_rad)[-3:] / np.sqrt(variance[-3:])


def parameter_error(found: Elevations, true: imu.Faults) -> float:
    """Return the mean square of all parameters' errors, decorrelated by the stated covariance, over their sigmas.

    A rotation of the sensor cannot be seen in lengths: the truth is given in the axes in which its matrix is symmetric.
    """
    turned, symmetric = polar(np.linalg.inv(true.accel_matrix))
    error = packed(found.offset_g, found.matrix, found.tube_body) - packed(
        true.accel_offset_g, symmetric, turned.T @ true.tube_body
    )
    return float(error @ np.linalg.solve(found.covariance, error)) / len(error)


def packed(offset_g: np.ndarray, matrix: np.ndarray, tube: np.ndarray) -> np.ndarray:
    """Return parameters in the order of the stated covariance."""
    return np.array([*offset_g, *matrix[[0, 1, 2, 0, 0, 1], [0, 1, 2, 1, 2, 2]], tube[1] / tube[0], tube[2] / tube[0]])


def record(rng: np.random.Generator, part: imu.Part, true: imu.Faults) -> Recordings:
    """Return what a builder records with one unit."""
    poses = [still(rng, part, true, unit(pose + rng.normal(0, POSE_CARELESS, 3))) for pose in RECOMMENDED]
    sightings = []
    for target in TARGETS:
        really = target.elevation_rad + rng.normal(0, target.sigma_rad)
        for roll_deg in 2 * ((0, 180, 90, -90) if target is LEVEL else (0, 180)):
            up = up_at(true, really + rng.normal(0, SIGMA_AIM_RAD), (roll_deg + rng.normal(0, 5)) * DEG)
            sightings.append(TargetSighting(target.id, still(rng, part, true, up, AIM)))
    return Recordings(poses, sightings, TARGETS)


def still(rng: np.random.Generator, part: imu.Part, true: imu.Faults, up: np.ndarray, limits: Limits = REST) -> Rest:
    """Return the mean of a still recording with a direction of the body upward."""
    count = int(STILL_S * imu.SAMPLE_HZ)
    motion = (np.tile(up, (count, 1)), np.zeros((count, 3)), np.full(count, 25.0))
    counts = imu.counts(rng, part, true, motion)
    boot = {"accel_lsb_per_g": part.accel_lsb_per_g, "gyro_lsb_per_dps": part.gyro_lsb_per_dps}
    t_us = (np.arange(count) - count // 2) * (1_000_000 // imu.SAMPLE_HZ)
    samples = samples_from(t_us, (counts[:, :3], counts[:, 3:6]), carried_calibration(boot), 25.0)
    return rest_around(samples, 0, limits)


def by_faces(rng: np.random.Generator, part: imu.Part, true: imu.Faults, readings: np.ndarray) -> np.ndarray:
    """Return readings corrected by offset and scale from six exact faces."""
    seen = [[still(rng, part, true, sign * np.eye(3)[axis]).force_g[axis] for sign in (1, -1)] for axis in range(3)]
    offset, scale = six_faces(np.array(seen))
    return (readings - offset) / scale


def readings_at(true: imu.Faults) -> np.ndarray:
    """Return what the accelerometer reads, without noise, with the tube upright at JUDGED_RAD."""
    up = np.array([up_at(true, elevation_rad, 0.0) for elevation_rad in JUDGED_RAD])
    return up @ true.accel_matrix.T + true.accel_offset_g


def elevation(force_g: np.ndarray) -> np.ndarray:
    """Return the elevation of the sensor's x axis."""
    return np.arctan2(force_g[:, 0], np.hypot(force_g[:, 1], force_g[:, 2]))


def up_at(true: imu.Faults, elevation_rad: float, roll_rad: float) -> np.ndarray:
    """Return the upward direction in body axes with the tube at an elevation, rolled about itself."""
    tube = true.tube_body
    top = unit(np.array([0.0, 0.0, 1.0]) - tube[2] * tube)
    side = np.cross(top, tube)
    return np.sin(elevation_rad) * tube + np.cos(elevation_rad) * (np.cos(roll_rad) * top + np.sin(roll_rad) * side)


def unit(vector: np.ndarray) -> np.ndarray:
    """Return a vector of length 1."""
    return vector / np.linalg.norm(vector)


def rms_deg(found: list[Outcome], name: str) -> float:
    """Return the root mean square of one kind of error over all units and elevations."""
    return float(np.sqrt(np.mean([getattr(outcome, name) ** 2 for outcome in found]))) / DEG


def on_the_firmware(part: imu.Part, true: imu.Faults, seed: int) -> Elevations:
    """Return what the whole guide finds, led through with a virtual unit that has these faults."""
    rng = np.random.default_rng(seed)
    truly = {t.id: t.elevation_rad + rng.normal(0, t.sigma_rad) for t in TARGETS}
    sights = {name: Sight(0.3 * i, elevation_rad) for i, (name, elevation_rad) in enumerate(truly.items())}
    with tempfile.TemporaryDirectory() as name, Builder(Path(name) / "unit", part, true, seed, sights) as builder:
        folder = Path(name)
        (folder / "targets.csv").write_text(targets_csv(), encoding="utf-8")
        builder.switch_on()
        with open_port(builder.unit.port) as line, open_archive(folder / ARCHIVE_NAME) as archive:
            desk = Desk(Session(line), archive, folder, builder.unit.port, builder.pause)
            tour.take_poses(desk, builder.hear)
            tour.walk(desk, tour.sighting_plan(TARGETS), builder.hear)
        return elevations(read_bench(folder))


def targets_csv() -> str:
    """Return the targets as a builder writes them down."""
    tapes = {"gable": GABLE, "tower": TOWER}
    rows = [f"{name},{t.height_m},{t.eye_m},{t.distance_m},{t.sigma_height_m},{t.sigma_eye_m},{t.sigma_distance_m},," for name, t in
            tapes.items()]  # fmt: skip
    head = "target,height_m,eye_m,distance_m,sigma_height_m,sigma_eye_m,sigma_distance_m,elevation_deg,sigma_elevation_deg"
    return "\n".join([head, f"level,,,,,,,0,{LEVEL.sigma_rad / DEG}", *rows, ""])


def table(units: int) -> None:
    """Print what the full procedure is worth at the level of counts."""
    print(f"elevation error over 0-85 degrees, rms in degrees, {units} units of each part, the same temperature")
    print("part        as it comes  six faces  18 poses  poses and targets  stated  e/s at 0-85  e/s, 3 ways  all 11")
    for number, part in enumerate((imu.MPU6050, imu.LSM6DSOX)):
        found = list(outcomes(part, units, seed=2026 + number))
        stated = float(np.sqrt(np.mean([outcome.stated_rad**2 for outcome in found]))) / DEG
        judged = float(np.mean([(outcome.full_rad / outcome.stated_rad) ** 2 for outcome in found]))
        print(
            f"{part.name:<11} {rms_deg(found, 'raw_rad'):11.3f}  {rms_deg(found, 'faces_rad'):9.3f}  "
            f"{rms_deg(found, 'poses_rad'):8.3f}  {rms_deg(found, 'full_rad'):17.4f}  {stated:6.4f}  "
            f"{judged:11.3f}  {float(np.mean([outcome.ways**2 for outcome in found])):11.3f}  "
            f"{float(np.mean([outcome.parameters for outcome in found])):6.3f}"
        )


def firmware_table(units: int) -> None:
    """Print what it is worth through the real firmware, unit by unit."""
    print(f"\n{units} units of each part led through by the guide, registers and real firmware; degrees, micro-g")
    print("part        registers: error  stated  e/s, 3 ways   counts: error  stated   offsets apart (stated)")
    for part in (imu.MPU6050, imu.LSM6DSOX):
        for seed in range(units):
            rng = np.random.default_rng([7, seed])
            true = imu.faults(rng, part)
            found, counted = on_the_firmware(part, true, seed), adjust(record(rng, part, true), np.eye(3), SIGMA_AIM_RAD)
            errors = [f.elevation_rad(readings_at(true)) - JUDGED_RAD for f in (found, counted)]
            error, other = (float(np.sqrt(np.mean(e**2))) / DEG for e in errors)
            apart = float(np.sqrt(np.mean((found.offset_g - counted.offset_g) ** 2))) * 1e6
            expected = float(np.sqrt(np.mean(np.diag(found.covariance + counted.covariance)[:3]))) * 1e6
            ways = float(np.mean(along_main_ways(found, errors[0]) ** 2))
            print(
                f"{part.name:<11} {error:16.4f}  {found.sigma_zero_rad / DEG:6.4f}  {ways:11.2f}  {other:14.4f}  "
                f"{counted.sigma_zero_rad / DEG:6.4f}   {apart:8.0f} ({expected:.0f})",
                flush=True,
            )


def main() -> None:
    """Print both tables."""
    given = [int(word) for word in sys.argv[1:]]
    table(given[0] if given else UNITS)
    firmware_table(given[1] if len(given) > 1 else ON_FIRMWARE)


if __name__ == "__main__":
    main()
