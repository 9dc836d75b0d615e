"""Targets whose elevation is known from a tape and a level."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.errors import CalibrationError
from apexfix.units import DEG

LEVEL_RAD: Final = 5.0 * DEG  # a target no steeper can be sighted with the tube on its sides, too: only there do they show
LEAST_DISTANCE_M: Final = 3.0  # nearer, an eye 2 mm beside the tube, or a tape 1 cm wrong, is worth more than the sensor


@dataclass(frozen=True, slots=True)
class Tape:
    """What was measured for one target. Sigmas are one standard deviation."""

    height_m: float  # of the target above the ground that the eye height is measured from
    eye_m: float  # height of the tube's axis above the same ground
    distance_m: float  # level, from the tube to the foot below the target
    sigma_height_m: float
    sigma_eye_m: float
    sigma_distance_m: float


@dataclass(frozen=True, slots=True)
class Target:
    """Something to sight at. The elevation is None where it is only known to be the same each time."""

    id: str
    elevation_rad: float | None
    sigma_rad: float  # of the elevation; 0 where it is None

    @property
    def level(self) -> bool:
        """Whether it is about level, or supposed to be: its elevation is not known."""
        return self.elevation_rad is None or abs(self.elevation_rad) < LEVEL_RAD


def taped_target(name: str, tape: Tape) -> Target:
    """Return the target that a tape describes, as seen from the tube.

    Raises
    ------
    CalibrationError
        It is nearer than 3 m, or a sigma is negative.

    Examples
    --------
    >>> seen = taped_target("gable", Tape(6.50, 1.50, 12.00, 0.01, 0.005, 0.02))
    >>> round(float(np.degrees(seen.elevation_rad)), 3), round(float(np.degrees(seen.sigma_rad)), 3)
    (22.62, 0.057)
    """
    if tape.distance_m < LEAST_DISTANCE_M:
        raise CalibrationError(
            f"target {name} is {tape.distance_m:.2f} m away, {LEAST_DISTANCE_M:.0f} m or more are needed; choose one farther away: "
            "so near, a centimetre of the tape is worth more than the whole calibration"
        )
    if min(tape.sigma_height_m, tape.sigma_eye_m, tape.sigma_distance_m) < 0:
        raise CalibrationError(f"target {name} has a negative sigma; give each tape figure the error that you would expect of it")
    rise_m = tape.height_m - tape.eye_m
    slant2 = rise_m**2 + tape.distance_m**2
    upright = np.hypot(tape.sigma_height_m, tape.sigma_eye_m) * tape.distance_m / slant2
    along = tape.sigma_distance_m * rise_m / slant2
    return Target(name, float(np.arctan2(rise_m, tape.distance_m)), float(np.hypot(upright, along)))


def demand_level(targets: Sequence[Target]) -> None:
    """Refuse targets of which none is level.

    Raises
    ------
    CalibrationError
        Says how to make one.
    """
    if not any(target.level for target in targets):
        seen = f"none of {', '.join(target.id for target in targets)} is level" if targets else "no targets seen"
        raise CalibrationError(
            f"{seen}, a level mark is needed: with a water level mark the height of the tube's axis on a wall or pole "
            f"{LEAST_DISTANCE_M:.0f} m or farther away, and add it to targets.csv with elevation_deg 0 and the sigma that you "
            "trust, or with its name alone where you cannot tell its height"
        )
