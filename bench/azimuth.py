"""How true the azimuth of a mark is, some minutes and a turn after the backsight, with and without what makes it so.

Simulated units with the tolerances of their data sheets, through the unit's own filter on the real interpreter and the host's zero
of the heading. Every unit rests for ten seconds, is taken into the hands, sights its reference (press), turns out, waits in the
hands, follows a model up to 60 degrees, holds there (mark), comes down, turns back and sights the reference again (press).
Meanwhile it warms or cools, its offset walks by itself and moves when it is tilted: WARMING_C, WANDER_DPS_ROOT_S and
FORCE_DPS_PER_G, which no data sheet promises.

The matrix of the gyroscope is that of `calibrate/gyro.py`, from six simulated full turns that close onto a mark by hand. A unit
that is not calibrated carries nothing: neither that matrix, nor its accelerometer's, nor the direction of its tube. The wanted
azimuth is the tube's own: how well a person follows a speck is not in it.

`e2/s2` is the mean square of error over the sigma that `heading.heading_zero` states; 1 is honest. Of 60 units it is known to
a fifth or so, and less well where it hangs on the temperature, whose change and effect are both drawn.

The encoder on a stand's axis has a bench of its own: `bench/stand_axis.py`.

    python bench/azimuth.py [--units 60] [--seed 2026] [--all]   # --all: other times, turns and temperatures, too
"""

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from apexfix.attitude import pointing_of
from apexfix.calibrate.gyro import Turn, fit_turns, turn_in
from apexfix.calibrate.imu import carried_calibration
from apexfix.calibrate.stillness import samples_from
from apexfix.calibrate.tolerance import Tolerance, tolerance_of
from apexfix.geometry import wrapped
from apexfix.heading import Look, heading_zero, misclosure_limit_rad
from apexfix.sim import imu
from apexfix.sim.observer import Pose, orientation
from apexfix.units import DEG

ROOT = Path(__file__).resolve().parents[1]
BOARD = ROOT / "tests" / "firmware" / "board"
RATE_HZ = 100
GYRO_LSB_PER_DPS = {"MPU-6050": 65.5, "LSM6DSOX": 1000 / 17.5}  # the ranges that the firmware sets
RANGE_BITS = {"MPU-6050": 1, "LSM6DSOX": 2}  # from the finest range of the simulated part to that one
TARGET_RAD = 0.7  # azimuth of the reference
SIGMA_AIM_RAD = 0.2 * DEG
SIGMA_CLOSING_RAD = 0.3 * DEG  # of a full turn onto its mark
AIM_SWAY_RAD = 0.15 * DEG
TREMOR_RAD = 0.05 * DEG  # at 8 Hz and less: two degrees a second, by which the unit knows hands from a table
WARMING_C = 1.0  # in five minutes
WANDER_DPS_ROOT_S = {"MPU-6050": 0.0002, "LSM6DSOX": 0.0001}  # what a recorded MPU-6050 does that its temperature does not explain
FORCE_DPS_PER_G = 0.01  # a part turned over moves by twice that (measured on an MPU-6050)
ROWS = np.dtype([("t_us", "<i4"), ("counts", "<i2", 6)])


@dataclass(frozen=True)
class Plan:
    """What is done with a unit."""

    away_s: float = 300.0  # from the first backsight to the mark
    turn_deg: float = 90.0
    warming_c: float = WARMING_C  # one sigma, in five minutes

    @property
    def mark_s(self) -> float:
        """Since it was switched on."""
        return FIRST_S + self.away_s

    @property
    def second_s(self) -> float:
        """When the reference is sighted again."""
        return self.mark_s + 12.0


@dataclass(frozen=True)
class Case:
    """What a unit has."""

    name: str
    calibrated: bool
    backsights: int
    midway: bool = False


FIRST_S = 15.0
PLANS = (
    Plan(),
    *(Plan(60.0 * minutes, turn) for minutes in (1, 15) for turn in (20, 160)),
    Plan(warming_c=0.1),
    Plan(warming_c=3.0),
)
CASES = (
    Case("two backsights, calibrated", True, 2),
    Case("one backsight, calibrated", True, 1),
    Case("two backsights, no calibration", False, 2),
    Case("one backsight, no calibration", False, 1),
    Case("the first, midway between the two", True, 2, True),
)


@dataclass(frozen=True)
class Outcome:
    """One unit in one case."""

    error_rad: float
    sigma_rad: float
    misclosure_rad: float | None
    limit_rad: float  # of the misclosure


def drawn(part: imu.Part, plan: Plan, seed: Sequence[int]) -> list[Outcome | None]:
    """Return what one unit of a kind finds in all CASES; None where its heading was lost."""
    rng = np.random.default_rng(seed)
    true = imu.faults(rng, part)
    calibration = imu.calibration(rng, true, "bench")
    calibration["gyro_matrix"] = gyro_matrix(rng, part, true, calibration)
    calibration["sigma_elevation_zero_deg"] = 0.05  # what sim.imu.calibration says that it leaves
    enu_from_body = errand(rng, plan)
    warm_c = 25.0 + rng.normal(0, plan.warming_c) * np.arange(len(enu_from_body)) / imu.SAMPLE_HZ / 300.0
    rows = recorded(rng, (part, true), enu_from_body, warm_c)
    aims = rng.normal(0, SIGMA_AIM_RAD, 2)
    found = {}
    for calibrated in (True, False):
        carried = calibration if calibrated else None
        attitude, still_us = filtered(part, rows, carried)
        boot = {"accel_lsb_per_g": part.accel_lsb_per_g, "gyro_lsb_per_dps": GYRO_LSB_PER_DPS[part.name], "calibration": carried}
        in_force = carried_calibration(boot)
        found[calibrated] = Errand(
            rows["t_us"], attitude, still_us, warm_c[::2], enu_from_body[::2], true.tube_body, in_force.tube_body,
            tolerance_of(part.name, in_force),
        )  # fmt: skip
    return [outcome(found[case.calibrated], plan, case, aims[: case.backsights]) for case in CASES]


@dataclass(frozen=True)
class Errand:
    """One recording, as it was and as the unit saw it."""

    t_us: np.ndarray
    level_from_body: np.ndarray  # (N, 4) w x y z, what the unit knows
    still_us: np.ndarray
    warm_c: np.ndarray
    enu_from_body: Rotation  # the truth
    true_tube: np.ndarray
    tube: np.ndarray
    tolerance: Tolerance

    def look(self, at_s: float) -> tuple[Look, float]:
        """Return what a press tells, and the tube's true azimuth."""
        at = int(np.searchsorted(self.t_us, at_s * 1e6))
        heading, elevation = pointing_of(self.level_from_body[at : at + 1], self.tube)
        east, north, _ = self.enu_from_body[at].apply(self.true_tube)
        warm_c = round(float(self.warm_c[at]), 2)
        seen = Look(int(self.t_us[at]), float(heading[0]), float(elevation[0]), warm_c, int(self.still_us[at]))
        return seen, float(np.arctan2(east, north))


def outcome(errand: Errand, plan: Plan, case: Case, aims_rad: np.ndarray) -> Outcome | None:
    """Return the error of the azimuth at a mark; the hand was off the reference by these angles at the backsights."""
    backsights = []
    for at_s, aim_rad in zip((FIRST_S, plan.second_s), aims_rad, strict=False):
        seen, azimuth = errand.look(at_s)
        # As if the simulated hand had been where it meant to be: it is less than two degrees off, which no scale can tell.
        backsights.append(replace(seen, heading_rad=seen.heading_rad - float(wrapped(azimuth - TARGET_RAD - aim_rad))))
    mark, azimuth = errand.look((FIRST_S + plan.second_s) / 2 if case.midway else plan.mark_s)
    zero = heading_zero(backsights, TARGET_RAD, mark, SIGMA_AIM_RAD, errand.tolerance)
    if zero is None:
        return None
    error = float(wrapped(mark.heading_rad + zero.azimuth_minus_heading_rad - azimuth))
    limit = misclosure_limit_rad(backsights, mark, SIGMA_AIM_RAD, errand.tolerance)
    return Outcome(error, zero.sigma_rad, zero.misclosure_rad, limit)


# --- what happens to the unit -------------------------------------------------------------------------------------------


def errand(rng: np.random.Generator, plan: Plan) -> Rotation:
    """Return enu_from_body at SAMPLE_HZ."""
    time_s = np.arange(int((plan.second_s + 3.0) * imu.SAMPLE_HZ)) / imu.SAMPLE_HZ
    out, mark_s = plan.turn_deg * DEG * rng.choice([-1.0, 1.0]), plan.mark_s
    facing = TARGET_RAD + out * (ramp(time_s, 16.5, 3.0) - ramp(time_s, mark_s + 5.0, 3.5))
    pitch = 5 * DEG + 55 * DEG * (ramp(time_s, mark_s - 15.0, 8.0) - ramp(time_s, mark_s + 1.5, 3.0))
    held = ramp(time_s, 11.0, 2.0)
    waiting = ramp(time_s, 20.0, 3.0) - ramp(time_s, mark_s - 20.0, 3.0)
    for angle in (facing, pitch):
        angle += held * (wander(rng, len(time_s), 0.3) * AIM_SWAY_RAD + wander(rng, len(time_s), 0.02) * TREMOR_RAD)
        angle += waiting * wander(rng, len(time_s), 5.0) * 3.0 * DEG
    roll = held * wander(rng, len(time_s), 4.0) * 3.0 * DEG
    return orientation(Pose(facing, pitch, np.zeros(len(time_s))), roll)


def ramp(time_s: np.ndarray, start_s: float, length_s: float) -> np.ndarray:
    """Return 0 before and 1 after, smooth between."""
    x = np.clip((time_s - start_s) / length_s, 0.0, 1.0)
    return x * x * x * (10 + x * (6 * x - 15))


def wander(rng: np.random.Generator, count: int, time_s: float) -> np.ndarray:
    """Return a smooth random motion of unit sigma."""
    step = max(1, int(time_s * imu.SAMPLE_HZ / 10))  # a tenth of the time is fine enough, and a hundred times quicker to smooth
    coarse = gaussian_filter1d(rng.normal(0, 1, count // step + 2), time_s * imu.SAMPLE_HZ / step)
    smooth = CubicSpline(np.arange(len(coarse)) * step, coarse)(np.arange(count))
    return smooth / smooth.std()


def recorded(
    rng: np.random.Generator, unit: tuple[imu.Part, imu.Faults], enu_from_body: Rotation, warm_c: np.ndarray
) -> np.ndarray:
    """Return ROWS as the firmware reads them."""
    part, true = unit
    force_g, rate_dps = imu.motion_of(enu_from_body, arm_m=0.4)
    rate_dps += force_g @ rng.normal(0, FORCE_DPS_PER_G, (3, 3)).T
    rate_dps += np.cumsum(rng.normal(0, WANDER_DPS_ROOT_S[part.name] / np.sqrt(imu.SAMPLE_HZ), rate_dps.shape), axis=0)
    counts = imu.counts(rng, part, true, (force_g, rate_dps, warm_c))[::2]
    counts[:, 3:6] >>= RANGE_BITS[part.name]
    rows = np.zeros(len(counts), dtype=ROWS)
    rows["t_us"] = np.arange(len(counts)) * (1_000_000 // RATE_HZ)
    rows["counts"] = np.clip(counts[:, :6], -32768, 32767)
    return rows


def filtered(part: imu.Part, rows: np.ndarray, calibration: dict[str, object] | None) -> tuple[np.ndarray, np.ndarray]:
    """Return the unit's own attitude at every row, and when its offset was last renewed, by the firmware on its interpreter."""
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
    renewed = np.r_[False, np.any(np.diff(found[:, 4:], axis=0) != 0, axis=1)]
    still_us = np.maximum.accumulate(np.where(renewed, rows["t_us"], 0))
    wxyz = found[:, :4].astype(np.float64)
    return wxyz / np.linalg.norm(wxyz, axis=1, keepdims=True), still_us


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


def stated_deg(found: Sequence[Outcome]) -> float:
    """Return the root mean square of the stated sigmas."""
    return float(np.sqrt(np.mean([o.sigma_rad**2 for o in found]))) / DEG


def figures(outcomes: Sequence[Outcome | None]) -> str:
    """Return one line of the table."""
    found = [one for one in outcomes if one is not None]
    worst = max(abs(o.error_rad) for o in found) / DEG
    line = f"{len(outcomes) - len(found):5d} {rms_deg(found):7.2f} {worst:7.2f} {stated_deg(found):7.2f} {over_sigma(found):7.2f}"
    closures = [(o.misclosure_rad, o.limit_rad) for o in found if o.misclosure_rad is not None]
    if not closures:
        return line
    misclosure, limit = np.array(closures).T
    beyond = np.sum(np.abs(misclosure) > limit)
    return f"{line} {np.sqrt(np.mean(misclosure**2)) / DEG:11.2f} {np.median(limit) / DEG:7.2f} {beyond:6d}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=60)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--all", action="store_true")
    options = parser.parse_args()
    print(f"azimuth at the mark, degrees, {options.units} units of each part, each backsight held to {SIGMA_AIM_RAD / DEG:.1f}")
    names = f"{'lost':>5} {'rms':>7} {'worst':>7} {'stated':>7} {'e2/s2':>7} {'misclosure':>11} {'limit':>7} {'beyond':>6}"
    print(f"{'part':<10} {'':<34} {names}")
    with ProcessPoolExecutor(2) as pool:
        for cell, plan in enumerate(PLANS if options.all else PLANS[:1]):
            print(f"{plan.away_s / 60:.0f} min, {plan.turn_deg:.0f} degrees, {plan.warming_c:g} C in five minutes")
            for kind, part in enumerate((imu.MPU6050, imu.LSM6DSOX)):
                seeds = [(options.seed, cell, kind, number) for number in range(options.units)]
                by_case = zip(*pool.map(drawn, [part] * options.units, [plan] * options.units, seeds), strict=True)
                for case, found in zip(CASES, by_case, strict=True):
                    print(f"{part.name:<10} {case.name:<34} {figures(found)}", flush=True)


if __name__ == "__main__":
    main()
