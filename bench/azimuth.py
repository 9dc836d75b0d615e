"""How true the azimuth of a mark is, five minutes and a quarter turn after the backsight, with and without what makes it so.

Simulated units with the tolerances of their data sheets, through the unit's own filter on the real interpreter and the host's zero
of the heading. Every unit rests for ten seconds, is taken into the hands, sights its reference (press), turns 90 degrees out, waits
in the hands, follows a model up to 60 degrees, holds there (mark, after five minutes), comes down, turns back and sights the
reference again (press). Meanwhile it warms or cools by a degree (1 sigma), and its offset moves when it is tilted: WARMING_C and
FORCE_DPS_PER_G, which no data sheet promises.

The matrix of the gyroscope is that of `calibrate/gyro.py`, from six simulated full turns that close onto a mark by hand. Where it
is missing the unit carries none. The wanted azimuth is the tube's own: how well a person follows a speck is not in it.

`e/s` is the mean square of error over the sigma that `attitude.heading_zero` states.

The encoder on a stand's axis has a bench of its own: `bench/stand_axis.py`.

    python bench/azimuth.py [units]
"""

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from apexfix.attitude import Backsight, heading_zero, pointing_of
from apexfix.calibrate.gyro import Turn, fit_turns, turn_in
from apexfix.calibrate.imu import carried_calibration
from apexfix.calibrate.stillness import samples_from
from apexfix.geometry import wrapped
from apexfix.sim import imu
from apexfix.sim.observer import Pose, orientation
from apexfix.units import DEG

ROOT = Path(__file__).resolve().parents[1]
BOARD = ROOT / "tests" / "firmware" / "board"
UNITS = 60
RATE_HZ = 100
GYRO_LSB_PER_DPS = {"MPU-6050": 65.5, "LSM6DSOX": 1000 / 17.5}  # the ranges that the firmware sets
RANGE_BITS = {"MPU-6050": 1, "LSM6DSOX": 2}  # from the finest range of the simulated part to that one
TARGET_RAD = 0.7  # azimuth of the reference
SIGMA_AIM_RAD = 0.2 * DEG
SIGMA_CLOSING_RAD = 0.3 * DEG  # of a full turn onto its mark
AIM_SWAY_RAD = 0.15 * DEG
TREMOR_RAD = 0.05 * DEG  # at 8 Hz and less: two degrees a second, by which the unit knows hands from a table
WARMING_C = 1.0
FORCE_DPS_PER_G = 0.01  # a part turned over moves by twice that (measured on an MPU-6050)
ROWS = np.dtype([("t_us", "<i4"), ("counts", "<i2", 6)])


@dataclass(frozen=True)
class Case:
    """What a unit has."""

    name: str
    calibrated: bool
    backsights: int
    at_s: float


FIRST_S, MIDWAY_S, MARK_S, SECOND_S, END_S = 15.0, 170.0, 315.0, 327.0, 330.0
CASES = (
    Case("two backsights, calibrated scale", True, 2, MARK_S),
    Case("one backsight, calibrated scale", True, 1, MARK_S),
    Case("two backsights, no calibration", False, 2, MARK_S),
    Case("one backsight, no calibration", False, 1, MARK_S),
    Case("the first, midway between the two", True, 2, MIDWAY_S),
)


@dataclass(frozen=True)
class Outcome:
    """One unit in one case."""

    error_rad: float
    sigma_rad: float
    misclosure_rad: float | None


def outcomes(part: imu.Part, units: int, seed: int) -> Iterator[list[Outcome]]:
    """Yield for every unit its outcomes in all CASES."""
    for rng in np.random.default_rng(seed).spawn(units):
        yield one_unit(rng, part)


def one_unit(rng: np.random.Generator, part: imu.Part) -> list[Outcome]:
    """Return what one unit of a kind finds in all CASES."""
    true = imu.faults(rng, part)
    calibration = imu.calibration(rng, true, "bench")
    calibration["gyro_matrix"] = gyro_matrix(rng, part, true, calibration)
    enu_from_body = errand(rng)
    rows = recorded(rng, part, true, enu_from_body)
    aims = rng.normal(0, SIGMA_AIM_RAD, 2)
    found = {}
    for calibrated in (True, False):
        tube = np.array(calibration["tube_body"] if calibrated else true.tube_body)
        attitude = filtered(part, rows, calibration if calibrated else None)
        found[calibrated] = Errand(rows["t_us"], attitude, enu_from_body[::2], true.tube_body, tube)
    return [outcome(found[case.calibrated], aims[: case.backsights], case.at_s) for case in CASES]


@dataclass(frozen=True)
class Errand:
    """One recording, as it was and as the unit saw it."""

    t_us: np.ndarray
    level_from_body: Rotation  # the unit's
    enu_from_body: Rotation  # the truth
    true_tube: np.ndarray
    tube: np.ndarray

    def heading_rad(self, at_s: float) -> tuple[int, float, float]:
        """Return time, the unit's heading and the tube's true azimuth."""
        at = int(np.searchsorted(self.t_us, at_s * 1e6))
        heading, _ = pointing_of(self.level_from_body[at : at + 1], self.tube)
        east, north, _ = self.enu_from_body[at].apply(self.true_tube)
        return int(self.t_us[at]), float(heading[0]), float(np.arctan2(east, north))


def outcome(errand: Errand, aims_rad: np.ndarray, mark_s: float) -> Outcome:
    """Return the error of the azimuth at a mark; the hand was off the reference by these angles at the backsights."""
    backsights = []
    for at_s, aim_rad in zip((FIRST_S, SECOND_S), aims_rad, strict=False):
        t_us, heading, azimuth = errand.heading_rad(at_s)
        # As if the simulated hand had been where it meant to be: it is less than two degrees off, which no scale can tell.
        backsights.append(Backsight(t_us, heading - float(wrapped(azimuth - TARGET_RAD - aim_rad))))
    t_us, heading, azimuth = errand.heading_rad(mark_s)
    zero = heading_zero(backsights, TARGET_RAD, t_us, SIGMA_AIM_RAD)
    error = float(wrapped(heading + zero.azimuth_minus_heading_rad - azimuth))
    return Outcome(error, zero.sigma_rad, zero.misclosure_rad)


# --- what happens to the unit -------------------------------------------------------------------------------------------


def errand(rng: np.random.Generator) -> Rotation:
    """Return enu_from_body at SAMPLE_HZ."""
    time_s = np.arange(int(END_S * imu.SAMPLE_HZ)) / imu.SAMPLE_HZ
    out = 90 * DEG * rng.choice([-1.0, 1.0])
    facing = TARGET_RAD + out * (ramp(time_s, 16.5, 3.0) - ramp(time_s, 320.0, 3.5))
    pitch = 5 * DEG + 55 * DEG * (ramp(time_s, 300.0, 8.0) - ramp(time_s, 316.5, 3.0))
    held = ramp(time_s, 11.0, 2.0)
    for angle in (facing, pitch):
        angle += held * (wander(rng, len(time_s), 0.3) * AIM_SWAY_RAD + wander(rng, len(time_s), 0.02) * TREMOR_RAD)
        angle += waiting(time_s) * wander(rng, len(time_s), 5.0) * 3.0 * DEG
    roll = held * wander(rng, len(time_s), 4.0) * 3.0 * DEG
    return orientation(Pose(facing, pitch, np.zeros(len(time_s))), roll)


def ramp(time_s: np.ndarray, start_s: float, length_s: float) -> np.ndarray:
    """Return 0 before and 1 after, smooth between."""
    x = np.clip((time_s - start_s) / length_s, 0.0, 1.0)
    return x * x * x * (10 + x * (6 * x - 15))


def waiting(time_s: np.ndarray) -> np.ndarray:
    """Return 1 while nobody aims at anything."""
    return ramp(time_s, 20.0, 3.0) - ramp(time_s, 295.0, 3.0)


def wander(rng: np.random.Generator, count: int, time_s: float) -> np.ndarray:
    """Return a smooth random motion of unit sigma."""
    step = max(1, int(time_s * imu.SAMPLE_HZ / 10))  # a tenth of the time is fine enough, and a hundred times quicker to smooth
    coarse = gaussian_filter1d(rng.normal(0, 1, count // step + 2), time_s * imu.SAMPLE_HZ / step)
    smooth = CubicSpline(np.arange(len(coarse)) * step, coarse)(np.arange(count))
    return smooth / smooth.std()


def recorded(rng: np.random.Generator, part: imu.Part, true: imu.Faults, enu_from_body: Rotation) -> np.ndarray:
    """Return ROWS as the firmware reads them."""
    force_g, rate_dps = imu.motion_of(enu_from_body, arm_m=0.4)
    count = len(force_g)
    rate_dps += force_g @ rng.normal(0, FORCE_DPS_PER_G, (3, 3)).T
    warm = 25.0 + rng.normal(0, WARMING_C) * np.linspace(0, 1, count)
    counts = imu.counts(rng, part, true, (force_g, rate_dps, warm))[::2]
    counts[:, 3:6] >>= RANGE_BITS[part.name]
    rows = np.zeros(len(counts), dtype=ROWS)
    rows["t_us"] = np.arange(len(counts)) * (1_000_000 // RATE_HZ)
    rows["counts"] = np.clip(counts[:, :6], -32768, 32767)
    return rows


def filtered(part: imu.Part, rows: np.ndarray, calibration: dict[str, object] | None) -> Rotation:
    """Return the unit's own attitude at every row, computed by the firmware on its interpreter."""
    settings = {
        "rate_hz": RATE_HZ,
        "accel_lsb_per_g": part.accel_lsb_per_g,
        "gyro_lsb_per_dps": GYRO_LSB_PER_DPS[part.name],
        "calibration": calibration,
    }
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "settings").write_text(json.dumps(settings), encoding="utf-8")
        (folder / "rows").write_bytes(rows.tobytes())
        subprocess.run(
            [Path(sys.executable).with_name("micropython"), "-X", "heapsize=4M", BOARD / "recording.py", "settings", "rows", "out"],
            cwd=folder,
            env={"MICROPYPATH": f"{BOARD}:{ROOT / 'firmware'}:.frozen"},
            check=True,
        )
        found = np.fromfile(folder / "out", dtype="<f4").reshape(-1, 7)
    return Rotation.from_quat(found[:, :4].astype(np.float64), scalar_first=True)


# --- its calibration by full turns --------------------------------------------------------------------------------------


def gyro_matrix(rng: np.random.Generator, part: imu.Part, true: imu.Faults, calibration: dict[str, object]) -> list[list[float]]:
    """Return the matrix that one turn each way about three axes gives."""
    turns = [full_turn(rng, part, true, axis, way) for axis in range(3) for way in (1, -1)]
    accel_offset_g, accel_matrix = np.array(calibration["accel_offset_g"]), np.array(calibration["accel_matrix"])
    fitted = fit_turns(turns, accel_offset_g, accel_matrix)
    return [[round(float(value), 6) for value in row] for row in fitted.matrix]


def full_turn(rng: np.random.Generator, part: imu.Part, true: imu.Faults, axis: int, way: int) -> Turn:
    """Return one turn, read from a simulated recording: three seconds of rest, eight of turning, three of rest."""
    time_s = np.arange(int(14 * imu.SAMPLE_HZ)) / imu.SAMPLE_HZ
    angle = way * (2 * np.pi + rng.normal(0, SIGMA_CLOSING_RAD)) * ramp(time_s, 3.0, 8.0)
    up = np.eye(3)[axis] + rng.normal(0, 0.05, 3)
    upright, _ = Rotation.align_vectors([[0.0, 0.0, 1.0]], [up])
    wobble = 0.5 * DEG * (ramp(time_s, 3.0, 1.0) - ramp(time_s, 10.0, 1.0))
    lean = Rotation.from_rotvec(np.outer(wobble, [1.0, 0.0, 0.0]))
    enu_from_body = lean * Rotation.from_rotvec(np.outer(angle, [0.0, 0.0, 1.0])) * upright
    force_g, rate_dps = imu.motion_of(enu_from_body, arm_m=0.0)
    counts = imu.counts(rng, part, true, (force_g, rate_dps, np.full(len(time_s), 25.0)))
    boot = {"accel_lsb_per_g": part.accel_lsb_per_g, "gyro_lsb_per_dps": part.gyro_lsb_per_dps}
    t_us = np.rint(time_s * 1e6).astype(np.int64)
    return turn_in(samples_from(t_us, (counts[:, :3], counts[:, 3:6]), carried_calibration(boot), 25.0))


# --- the table ----------------------------------------------------------------------------------------------------------


def rms_deg(found: Sequence[Outcome]) -> float:
    """Return the root mean square of the errors."""
    return float(np.sqrt(np.mean([o.error_rad**2 for o in found]))) / DEG


def over_sigma(found: Sequence[Outcome]) -> float:
    """Return the mean square of error over stated sigma."""
    return float(np.mean([(o.error_rad / o.sigma_rad) ** 2 for o in found]))


def drawn(part: imu.Part, seed: int) -> list[Outcome]:
    """Return one unit's outcomes, by its number."""
    return one_unit(np.random.default_rng([2026, seed]), part)


def main() -> None:
    """Print the table."""
    units = int(sys.argv[1]) if len(sys.argv) > 1 else UNITS
    print(f"azimuth at the mark, degrees, {units} units of each part, each backsight held to {SIGMA_AIM_RAD / DEG:.1f} (1 sigma)")
    print(f"{'part':<10} {'':<34} {'rms':>7} {'worst':>7} {'stated':>7} {'e/s':>7} {'misclosure rms':>15}")
    with ProcessPoolExecutor(2) as pool:
        for part in (imu.MPU6050, imu.LSM6DSOX):
            by_case = zip(*pool.map(drawn, [part] * units, range(units)), strict=True)
            for case, found in zip(CASES, by_case, strict=True):
                stated = float(np.sqrt(np.mean([o.sigma_rad**2 for o in found]))) / DEG
                closures = [o.misclosure_rad for o in found if o.misclosure_rad is not None]
                closed = f"{np.sqrt(np.mean(np.square(closures))) / DEG:15.2f}" if closures else f"{'-':>15}"
                worst = max(abs(o.error_rad) for o in found) / DEG
                figures = f"{rms_deg(found):7.2f} {worst:7.2f} {stated:7.2f} {over_sigma(found):7.2f}"
                print(f"{part.name:<10} {case.name:<34} {figures} {closed}", flush=True)


if __name__ == "__main__":
    main()
