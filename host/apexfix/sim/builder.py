"""A builder at the desk: does with a virtual unit what the guide of a calibration asks in words, and presses its button.

The unit runs the real firmware; what it feels is written into the samples file while it runs, always a little ahead of its time.
The builder reads the guide's sentences as a person would and shares nothing with the code that wrote them.
"""

import re
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from apexfix.sim import imu, stand
from apexfix.sim.stand import Stand
from apexfix.sim.virtual_unit import Hardware, VirtualUnit
from apexfix.units import DEG, SECOND_US

Vector = NDArray[np.float64]

START_US: Final = 1_781_334_000 * SECOND_US  # 2026-06-13 07:00 UTC, an invented date
_PINS: Final = {"mark": 14, "reference": 15}
_LENGTH_S: Final = 7200  # of the samples file, which is filled as far as it is needed
_HELD_US: Final = 150_000
_CHUNK: Final = 400  # samples that the simulated part holds in memory: what it holds cannot be changed any more
_AHEAD: Final = 120 * imu.SAMPLE_HZ  # still samples behind every movement
_MOVE_S: Final = 1.5
_CALM_S: Final = 5.0  # at rest before the button is pressed: the window reaches four seconds back
_TURN_S: Final = 8.0
_AFTER_S: Final = 3.0  # longer than any window reaches behind a press
_ROLLS_DEG: Final = {"upright": 0.0, "half round": 180.0, "to the left": -90.0, "to the right": 90.0}


@dataclass(frozen=True, slots=True)
class Sight:
    """Where a target truly is."""

    azimuth_rad: float
    elevation_rad: float


@dataclass(frozen=True, slots=True)
class Habits:
    """How careful a builder is; one standard deviation each."""

    pose_rad: float = 0.1  # how far a pose is from the one that was asked for
    aim_rad: float = 0.05 * DEG
    roll_rad: float = 5.0 * DEG
    mark_rad: float = 0.3 * DEG  # how well a turn comes back onto its mark
    circle_rad: float = 0.15 * DEG  # how well a line of a graduated circle is met
    clamp_rad: float = 0.03 * DEG  # by how much the clamped tube gives way while the stand is turned


class Builder:
    """Has a unit with true faults in hand, and targets around. ``hear`` what the guide says, then ``act`` or ``pause``.

    With ``on`` a stand it may be set on that, whose encoder the unit reads.
    """

    def __init__(
        self, folder: Path, part: imu.Part, true: imu.Faults, seed: int, sights: Mapping[str, Sight], on: Stand | None = None
    ):  # fmt: skip
        self._part, self._true, self._sights, self._stand = part, true, sights, on or Stand()
        self._rng = np.random.default_rng(seed)
        self.habits = Habits()
        self._samples = folder / "samples.bin"
        folder.mkdir(parents=True, exist_ok=True)
        with self._samples.open("wb") as file:
            file.truncate(_LENGTH_S * imu.SAMPLE_HZ * imu.COLUMNS * 4)
        self._angles = None if on is None else folder / "angles.bin"
        if self._angles is not None:
            with self._angles.open("wb") as file:
                file.truncate(_LENGTH_S * imu.SAMPLE_HZ * 4)
        hardware = Hardware(self._rng.bytes(8).hex(), part.name, self._samples, START_US, angles_file=self._angles)
        self.unit = VirtualUnit(folder, hardware, {"unit": "desk1"})
        self._attitude = Rotation.identity()
        self._table = (0.0, 0.0)  # how the stand's table is turned, and the tube raised on it
        self._clamped_rad = 0.0
        self._anchor = (START_US, time.time_ns() // 1000)
        self._order = ""

    def __enter__(self) -> "Builder":
        return self

    def __exit__(self, *exception: object) -> None:
        self.unit.close()

    def switch_on(self) -> None:
        """Power the unit on where its time stands, lying level, and let it run live."""
        at_us = self._now_us()
        self._write(at_us, Rotation.concatenate([self._attitude]))
        self.unit.start(at_us)
        self._run_to(at_us + 2 * SECOND_US)

    def hear(self, text: str) -> None:
        """Remember what the guide asks for; what asks for nothing is passed over."""
        if re.search(r"\d to go|\d of \d+: ", text):
            self._order = text

    def pause(self, seconds: float) -> None:
        """Do what was asked; else let more than so many seconds pass."""
        if not self.act():
            self._run_to(self._now_us() + round(max(seconds, 1.5) * SECOND_US))

    def act(self) -> bool:
        """Do what was asked, if anything was."""
        order, self._order = self._order, ""
        if " to go" in order:
            self._pose(order)
        elif "aim at" in order:
            self._aim(order)
        elif "turn it" in order:
            self._turn(order)
        elif "untouched" in order:
            self._rest()
        elif "the table clockwise" in order or "on the stand" in order:
            self._turn_table(order)
        return bool(order)

    # --- what is asked for --------------------------------------------------------------------------------------------

    def _pose(self, order: str) -> None:
        arrived_us = self._move(_lying(_careless(self._rng, up_in(order), self.habits.pose_rad)))
        self._run_to(arrived_us + round(4.3 * SECOND_US))

    def _aim(self, order: str) -> None:
        found = re.search(r"aim at (\w+)", order)
        sight = self._sights[found[1] if found else ""]
        habits, rng = self.habits, self._rng
        roll = next((deg for word, deg in _ROLLS_DEG.items() if word in order), 0.0) * DEG + rng.normal(0, habits.roll_rad)
        azimuth, elevation = np.array([sight.azimuth_rad, sight.elevation_rad]) + rng.normal(0, habits.aim_rad, 2)
        self._press_after(self._move(aimed(self._true.tube_body, (azimuth, elevation), roll)))

    def _turn(self, order: str) -> None:
        start = _lying(_careless(self._rng, up_in(order), 0.02))
        self._run_to(self._move(start) + 4 * SECOND_US)
        full = 2 * np.pi + self._rng.normal(0, self.habits.mark_rad)
        whole = -full if "against" not in order else full
        share = np.linspace(0.0, 1.0, round(_TURN_S * imu.SAMPLE_HZ))
        angle = whole * (share - np.sin(2 * np.pi * share) / (2 * np.pi))
        self._press_after(self._play(Rotation.from_rotvec(np.outer(angle, [0.0, 0.0, 1.0])) * self._attitude))

    def _rest(self) -> None:
        self._press_after(self._now_us() + 20 * SECOND_US)

    def _turn_table(self, order: str) -> None:
        """Turn to a line of the circle, on by an angle, or clamp the tube where the table stands."""
        line, onward = re.search(r"mark at (\S+?)°", order), re.search(r"by about (\d+)°", order)
        if not onward:
            self._clamped_rad = float(self._rng.normal(0, 3.0 * DEG))
        met = self._rng.normal(0, self.habits.circle_rad if line else 5.0 * DEG)
        to = float(line[1]) * DEG if line else self._table[0] + (float(onward[1]) * DEG if onward else 0.0)
        above = self._clamped_rad + float(self._rng.normal(0, self.habits.clamp_rad))
        self._press_after(self._stand_to(to + float(met), above))

    def sight(self, where: Sight, button: str) -> None:
        """Aim the tube on its stand along a direction and press a button."""
        turn, above = np.array(stand.aimed(self._stand, where.azimuth_rad, where.elevation_rad))
        aim = self._rng.normal(0, self.habits.aim_rad, 2)
        self._press_after(self._stand_to(turn + float(aim[0]), above + float(aim[1])), button)

    def wait(self, seconds: float) -> None:
        """Let time pass, the unit at rest."""
        while seconds > 0:
            part_s = min(seconds, _AHEAD / imu.SAMPLE_HZ / 2)
            self._run_to(self._play(Rotation.concatenate([self._attitude])) + round(part_s * SECOND_US))
            seconds -= part_s

    # --- time and motion ----------------------------------------------------------------------------------------------

    def _now_us(self) -> int:
        return self._anchor[0] + time.time_ns() // 1000 - self._anchor[1]

    def _run_to(self, world_us: int, edges: tuple[tuple[int, int, int], ...] = ()) -> None:
        until_us = max(world_us, self._now_us())
        self.unit.forward(until_us, edges)
        self._anchor = (until_us, time.time_ns() // 1000)
        self.unit.live(*self._anchor)

    def _press_after(self, calm_from_us: int, button: str = "mark") -> None:
        """Stay calm, press, and let what the unit records after a press pass."""
        press_us = calm_from_us + round(_CALM_S * SECOND_US)
        edges = ((press_us, _PINS[button], 0), (press_us + _HELD_US, _PINS[button], 1))
        self._run_to(press_us + round(_AFTER_S * SECOND_US), edges)

    def _move(self, there: Rotation) -> int:
        """Move to an attitude and stay; return when it is reached."""
        share = np.linspace(0.0, 1.0, round(_MOVE_S * imu.SAMPLE_HZ))
        way = (there * self._attitude.inv()).as_rotvec()
        smooth = share - np.sin(2 * np.pi * share) / (2 * np.pi)
        return self._play(Rotation.from_rotvec(np.outer(smooth, way)) * self._attitude)

    def _stand_to(self, turn_rad: float, above_rad: float) -> int:
        """Turn the table and raise the tube on the stand; return when both are there. A unit in the hands is set upon it first."""
        seat = Rotation.from_matrix(_triad(self._true.tube_body, np.array([0.0, 0.0, 1.0])).T)
        here = stand.pointed(self._stand, self._table[0], self._table[1]) * seat
        if float((here[0] * self._attitude.inv()).magnitude()) > 0.01 * DEG:
            self._run_to(self._move(here[0]) + SECOND_US)
        share = np.linspace(0.0, 1.0, round(_MOVE_S * imu.SAMPLE_HZ))
        smooth = share - np.sin(2 * np.pi * share) / (2 * np.pi)
        turn, above = (start + (end - start) * smooth for start, end in zip(self._table, (turn_rad, above_rad), strict=True))
        self._table = (turn_rad, above_rad)
        return self._play(stand.pointed(self._stand, turn, above) * seat, turn)

    def _play(self, way: Rotation, turn_rad: Vector | None = None) -> int:
        """Write a movement and the rest after it where the unit has not read yet; return when it ends."""
        self.unit.forward(self._now_us())  # it waits there, at the latest where its time is now, until all is written
        index = (self._now_us() - START_US) * imu.SAMPLE_HZ // SECOND_US
        first_us = START_US + (index // _CHUNK + 1) * _CHUNK * SECOND_US // imu.SAMPLE_HZ
        self._attitude = way[-1]
        self._write(first_us, way, turn_rad)
        return first_us + len(way) * SECOND_US // imu.SAMPLE_HZ

    def _write(self, first_us: int, way: Rotation, turn_rad: Vector | None = None) -> None:
        """Write what is felt on a way and at rest behind it, and how the stand's table was turned on it."""
        force_g, rate_dps = imu.motion_of(way, 0.0)
        force_g = np.vstack([force_g, np.tile(way[-1].inv().apply([0.0, 0.0, 1.0]), (_AHEAD, 1))])
        rate_dps = np.vstack([rate_dps, np.zeros((_AHEAD, 3))])
        counts = imu.counts(self._rng, self._part, self._true, (force_g, rate_dps, np.full(len(force_g), 25.0)))
        first = (first_us - START_US) * imu.SAMPLE_HZ // SECOND_US
        with self._samples.open("r+b") as file:
            file.seek(first * imu.COLUMNS * 4)
            file.write(counts.tobytes())
        if self._angles is not None:
            turned = np.full(len(way), self._table[0]) if turn_rad is None else turn_rad
            turned = np.append(turned, np.full(_AHEAD, turned[-1]))
            with self._angles.open("r+b") as file:
                file.seek(first * 4)
                file.write(stand.counts(self._rng, self._stand, turned).tobytes())


def up_in(text: str) -> Vector:
    """Return the upward direction in body axes (x tube, y left, z top) that a sentence of the guide describes.

    Examples
    --------
    >>> up_in("tube 45° down, right side up").round(3).tolist()
    [-0.707, -0.707, 0.0]
    """
    forward = float(bool(re.search(r"(straight|45°) up", text))) - float(bool(re.search(r"(straight|45°) down", text)))
    left = float("left side up" in text) - float("right side up" in text)
    top = float("top side up" in text) - float("upside down" in text)
    up = np.array([forward, left, top])
    return np.asarray(up / np.linalg.norm(up))


def aimed(tube_body: Vector, sight: tuple[float, float], roll_rad: float) -> Rotation:
    """Return the attitude in which a tube points along an azimuth and an elevation, rolled about itself."""
    azimuth, elevation = sight
    tube = np.array([np.cos(elevation) * np.sin(azimuth), np.cos(elevation) * np.cos(azimuth), np.sin(elevation)])
    level = _triad(tube, np.array([0.0, 0.0, 1.0]))
    return Rotation.from_rotvec(roll_rad * tube) * Rotation.from_matrix(level @ _triad(tube_body, np.array([0.0, 0.0, 1.0])).T)


def _triad(tube: Vector, upward: Vector) -> Vector:
    top = upward - (upward @ tube) * tube
    top /= np.linalg.norm(top)
    return np.column_stack([tube, np.cross(top, tube), top])


def _lying(up_body: Vector) -> Rotation:
    """Return an attitude with a direction of the body upward."""
    axis = np.cross(up_body, [0.0, 0.0, 1.0])
    sine, cosine = float(np.linalg.norm(axis)), float(up_body[2])
    axis = axis / sine if sine > 1e-9 else np.array([1.0, 0.0, 0.0])
    return Rotation.from_rotvec(np.arctan2(sine, cosine) * axis)


def _careless(rng: np.random.Generator, direction: Vector, sigma_rad: float) -> Vector:
    missed = direction + rng.normal(0, sigma_rad, 3)
    return np.asarray(missed / np.linalg.norm(missed))
