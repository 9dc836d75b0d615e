"""A stand with two axes and, on the upright one, a magnet over an encoder: where its tube points, and what the encoder counts.

Nothing of it is perfect: the upright axis leans, the other one is not quite square to it, magnet and chip sit beside the axis.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Vector = NDArray[np.float64]
Counts = NDArray[np.int32]

STEPS: Final = 4096  # AS5600 data sheet: twelve bits
NO_MAGNET: Final = -1
RESIDUAL_RAD: Final = np.pi / 180 * 0.08  # that a calibration leaves in each wave: twelve marks met within 0.2 degrees
WAVES: Final = 4
_NOISE_STEPS: Final = 0.17  # 0.015 degrees, one sigma (AS5600 data sheet, from memory)


@dataclass(frozen=True, slots=True)
class Stand:
    """What is wrong with one stand."""

    lean_rad: float = 0.0  # of the upright axis
    towards_rad: float = 0.0  # azimuth of its upper end
    beside_square_rad: float = 0.0  # how far the level axis is from square to it: right end down
    beside_tube_rad: float = 0.0  # how far the tube is from square to the level axis: to the left
    chip_mm: tuple[float, float] = (0.0, 0.0)  # beside the upright axis
    magnet_mm: tuple[float, float] = (0.0, 0.0)  # beside it, too, and turning with it
    height_mm: float = 3.0  # of the magnet's middle over the chip's sensors
    zero_rad: float = 0.0  # what the encoder shows where the table is at 0
    magnet: bool = True

    @property
    def upright(self) -> Rotation:
        """Return enu_from_stand: the stand's third axis is the one that should be upright."""
        return Rotation.from_rotvec(self.lean_rad * np.array([-np.cos(self.towards_rad), np.sin(self.towards_rad), 0.0]))


def beside(rng: np.random.Generator, millimetres: float) -> tuple[float, float]:
    """Return a place so far beside an axis, in any direction."""
    angle = rng.uniform(0, 2 * np.pi)
    return float(millimetres * np.cos(angle)), float(millimetres * np.sin(angle))


def pointed(stand: Stand, turn_rad: Vector | float, above_rad: Vector | float) -> Rotation:
    """Return enu_from_tube (N) where the table is turned clockwise by (N,) angles, or one, and the tube is raised on it."""
    turn, above = np.broadcast_arrays(np.atleast_1d(turn_rad), np.atleast_1d(above_rad))
    angles = np.column_stack([np.pi / 2 - turn, np.full(len(turn), stand.beside_square_rad), -above])
    return stand.upright * Rotation.from_euler("ZXY", angles) * Rotation.from_rotvec([0.0, 0.0, stand.beside_tube_rad])


def drawn(rng: np.random.Generator) -> Stand:
    """Return a stand as a careful builder has it: levelled to 0.3 degrees, magnet and chip a few tenths of a millimetre beside."""
    return Stand(
        lean_rad=float(abs(rng.normal(0, 0.3 * np.pi / 180))),
        towards_rad=float(rng.uniform(0, 2 * np.pi)),
        chip_mm=beside(rng, float(rng.uniform(0, 0.3))),
        magnet_mm=beside(rng, float(rng.uniform(0, 0.3))),
        zero_rad=float(rng.uniform(0, 2 * np.pi)),
    )


def mounted(stand: Stand, enu_from_tube: Rotation) -> tuple[Vector, Rotation]:
    """Return how the table is turned (N,) and where the tube is (N) when a stand, its axes square, carries it along equal sights.

    The tube is never raised over the zenith: the table is turned round instead.
    """
    east, north, up = stand.upright.inv().apply(enu_from_tube.apply([1.0, 0.0, 0.0])).T
    turn = np.unwrap(np.arctan2(east, north))
    return turn, pointed(stand, turn, np.arctan2(up, np.hypot(east, north)))


def calibration(rng: np.random.Generator, stand: Stand) -> dict[str, object]:
    """Return what a unit's calibration says of the encoder: the true waves, known but for a small stated residual."""
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    reading = field_angle(stand, turn)
    wrong = np.angle(np.exp(1j * (turn + stand.zero_rad - reading)))
    waves = [wave(k * reading) for k in range(1, WAVES + 1) for wave in (np.sin, np.cos)]
    found = np.linalg.lstsq(np.column_stack([np.ones(720), *waves]), wrong, rcond=None)[0][1:]
    known = (found + rng.normal(0, RESIDUAL_RAD, 2 * WAVES)) * 180 / np.pi
    spread = np.eye(2 * WAVES) * (RESIDUAL_RAD * 180 / np.pi) ** 2
    return {"coefficients_deg": [round(float(value), 4) for value in known], "covariance_deg2": spread.tolist()}


def aimed(stand: Stand, azimuth_rad: float, elevation_rad: float) -> tuple[float, float]:
    """Return how the table is turned and the tube raised where the tube points along an azimuth and an elevation."""
    level = np.cos(elevation_rad)
    wanted = np.array([level * np.sin(azimuth_rad), level * np.cos(azimuth_rad), np.sin(elevation_rad)])
    turn, above = azimuth_rad, elevation_rad
    for _ in range(20):  # what is left of the error is smaller by the lean each time
        east, north, up = pointed(stand, np.array([turn]), np.array([above])).apply([1.0, 0.0, 0.0])[0]
        turn += float(np.arctan2(wanted[0], wanted[1]) - np.arctan2(east, north))
        above += float(np.arcsin(wanted[2]) - np.arcsin(np.clip(up, -1, 1)))
    return turn, above


def field_angle(stand: Stand, turn_rad: Vector) -> Vector:
    """Return the direction (N,) of the magnet's field at the chip: B ~ 3 (m . r) r / r^2 - m (a dipole; any text on magnetism)."""
    angle = np.asarray(turn_rad) + stand.zero_rad
    along, across = np.cos(angle), np.sin(angle)
    none = np.zeros_like(angle)
    magnet = np.column_stack([along, across, none])
    out, side = stand.magnet_mm
    centre = np.column_stack([out * along - side * across, out * across + side * along, none])
    place = np.array([*stand.chip_mm, stand.height_mm]) - centre
    field = 3 * np.sum(magnet * place, axis=1)[:, None] * place / np.sum(place**2, axis=1)[:, None] - magnet
    return np.asarray(np.mod(np.arctan2(-field[:, 1], -field[:, 0]), 2 * np.pi))


def counts(rng: np.random.Generator, stand: Stand, turn_rad: Vector) -> Counts:
    """Return what the encoder counts (N,) where the table is turned by angles."""
    if not stand.magnet:
        return np.full(len(turn_rad), NO_MAGNET, dtype=np.int32)
    steps = field_angle(stand, turn_rad) / (2 * np.pi) * STEPS + rng.normal(0, _NOISE_STEPS, len(turn_rad))
    return np.asarray(np.mod(np.rint(steps), STEPS), dtype=np.int32)
