"""How well one unit in one observer's hands repeats a direction: sets of sightings of several targets, in both faces.

In the spirit of ISO 17123-3 (theodolites). A face is how the tube is rolled: 1 upright, 2 turned half round about its own axis.
Over both faces what a tube or a sensor mounted askew does cancels; the reading of one face keeps it, and the two tell it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import chdtri

from apexfix.errors import CalibrationError
from apexfix.geometry import wrapped
from apexfix.model import Vector

LEAST_SETS: Final = 3
LEAST_TARGETS: Final = 3
LEAST_FREEDOM: Final = 6  # the smallest design, three sets of three targets, leaves seven in azimuth and twelve in elevation


@dataclass(frozen=True, slots=True)
class Reading:
    """One sighting of the test."""

    set: int
    target: str
    face: int  # 1 or 2
    t_s: float
    elevation_rad: float
    heading_rad: float | None  # None where the heading was lost


@dataclass(frozen=True, slots=True)
class Spread:
    """An experimental standard deviation of one reading in one face."""

    sigma_rad: float
    freedom: int

    @property
    def interval95_rad(self) -> tuple[float, float]:
        """Where the true standard deviation lies."""
        low, high = self.sigma_rad * np.sqrt(self.freedom / chdtri(self.freedom, [0.025, 0.975]))
        return float(low), float(high)


@dataclass(frozen=True, slots=True)
class FieldTest:
    """What a unit and an observer do together."""

    elevation: Spread
    azimuth: Spread | None  # None where no headings came
    index_rad: float  # half of face 1 less face 2: what one face reads too high, common to all targets
    sigma_index_rad: float


def field_test(readings: Sequence[Reading]) -> FieldTest:
    """Return the standard deviations of a reading from sets of sightings.

    Raises
    ------
    CalibrationError
        Too few sets, targets or faces; says what to sight.

    Notes
    -----
    Elevation: residuals from the mean of each target in each face. Azimuth: the same, with an orientation and a steady drift of the
    heading for every set.
    """
    _demand_design(readings)
    elevation = np.array([reading.elevation_rad for reading in readings])
    cells = _cells(readings)
    fitted = _fit(cells, elevation)
    index, sigma_index = _index(readings, fitted[0])
    return FieldTest(fitted[0], _azimuth(readings), index, sigma_index)


def two_faces(face1_rad: Vector | float, face2_rad: Vector | float) -> tuple[Vector, Vector]:
    """Return mean and half difference (face 1 less face 2) of the readings of one target in both faces.

    Examples
    --------
    >>> [round(float(v), 6) for v in two_faces(0.52, 0.50)]
    [0.51, 0.01]
    """
    half = wrapped(np.asarray(face1_rad) - np.asarray(face2_rad)) / 2
    return np.asarray(np.asarray(face1_rad) - half), half


def _cells(readings: Sequence[Reading]) -> Vector:
    names = sorted({(reading.target, reading.face) for reading in readings})
    return np.array([[float((r.target, r.face) == name) for name in names] for r in readings])


def _fit(design: Vector, values: Vector) -> tuple[Spread, Vector]:
    solution, _, rank, _ = np.linalg.lstsq(design, values, rcond=None)
    freedom = len(values) - int(rank)
    if freedom < LEAST_FREEDOM:
        raise CalibrationError(f"{freedom} degrees of freedom seen, {LEAST_FREEDOM} are needed; sight another set of all targets")
    residuals = values - design @ solution
    return Spread(float(np.sqrt(residuals @ residuals / freedom)), freedom), residuals


def _azimuth(readings: Sequence[Reading]) -> Spread | None:
    if any(reading.heading_rad is None for reading in readings):
        return None
    heading = np.array([reading.heading_rad for reading in readings], dtype=np.float64)
    sets = np.array([reading.set for reading in readings])
    t_s = np.array([reading.t_s for reading in readings])
    columns = []
    for number in np.unique(sets):
        own = sets == number
        columns += [own.astype(float), np.where(own, t_s - t_s[own].mean(), 0.0) / max(float(np.ptp(t_s)), 1.0)]
    # Headings of one target lie close together within a run; unwrapped about the first of that target in the set.
    return _fit(np.column_stack([_cells(readings), *columns]), _unwrapped(readings, heading))[0]


def _unwrapped(readings: Sequence[Reading], heading_rad: Vector) -> Vector:
    """Return headings less a rough orientation of their set, near the first set's values, so that no seam lies between them."""
    first_target = readings[0].target
    start = {r.set: h for r, h in reversed(list(zip(readings, heading_rad, strict=True))) if r.target == first_target}
    relative = wrapped(heading_rad - np.array([start[r.set] for r in readings]))
    centre = {r.target: v for r, v in reversed(list(zip(readings, relative, strict=True)))}
    middle = np.array([centre[r.target] for r in readings])
    return np.asarray(middle + wrapped(relative - middle))


def _index(readings: Sequence[Reading], spread: Spread) -> tuple[float, float]:
    halves, weights = [], []
    for target in sorted({reading.target for reading in readings}):
        faces = [[r.elevation_rad for r in readings if r.target == target and r.face == face] for face in (1, 2)]
        halves.append((float(np.mean(faces[0])) - float(np.mean(faces[1]))) / 2)
        weights.append(4 / (1 / len(faces[0]) + 1 / len(faces[1])))
    return float(np.average(halves, weights=weights)), spread.sigma_rad / float(np.sqrt(np.sum(weights)))


def _demand_design(readings: Sequence[Reading]) -> None:
    sets = sorted({reading.set for reading in readings})
    targets = sorted({reading.target for reading in readings})
    if len(sets) < LEAST_SETS or len(targets) < LEAST_TARGETS:
        raise CalibrationError(
            f"{len(sets)} sets of {len(targets)} targets seen, {LEAST_SETS} sets of {LEAST_TARGETS} targets or more are needed; "
            "sight every target upright, then every target with the tube rolled half round, and begin again for the next set"
        )
    done = {(reading.set, reading.target, reading.face) for reading in readings}
    lacking = [f"set {s}, {t}, face {f}" for s in sets for t in targets for f in (1, 2) if (s, t, f) not in done]
    if lacking:
        raise CalibrationError(f"not sighted: {'; '.join(lacking)}; a set holds every target in both faces")
