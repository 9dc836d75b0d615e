"""One adjustment of everything that fixes a unit's elevation: still poses and sightings of targets together.

Unknown are the accelerometer's offset (3) and symmetric matrix (6), the tube's direction (2) and the elevation of every target.
A still reading must have the length of 1 g whichever way up; a sighting must show its target's elevation. A rotation between the
sensor and the body cannot be seen in lengths and needs not be known: the tube's direction is found in the axes of the same matrix.
"""

from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.calibrate.coverage import demand_coverage
from apexfix.calibrate.least_squares import Residuals, Solution, raised, slopes, solve
from apexfix.calibrate.stillness import Rest
from apexfix.calibrate.target import Target
from apexfix.errors import CalibrationError
from apexfix.model import Vector
from apexfix.units import DEG

# What is believed before any pose, wide enough for any part on sale; the data sheets give 50 mg, 3 % and 2 % at most.
_PRIOR_OFFSET_G: Final = 0.2
_PRIOR_SCALE: Final = 0.1
PRIOR_CROSS: Final = 0.02
_PRIOR_TUBE_RAD: Final = 3.0 * DEG  # how far a hand mounts the sensor askew
SIGMA_AIM_RAD: Final = 0.05 * DEG  # a tube on a support, aimed with open sights without haste; common practice, no source
_LEAST_NOISE_G: Final = 2e-5
_FIXED: Final = 11  # parameters that are not elevations of targets
_JUDGED_RAD: Final = np.linspace(0.0, 85.0, 18) * DEG


@dataclass(frozen=True, slots=True)
class TargetSighting:
    """A still reading while the tube was on a target."""

    target: str
    rest: Rest


@dataclass(frozen=True, slots=True)
class Recordings:
    """What an adjustment starts from."""

    poses: Sequence[Rest]
    sightings: Sequence[TargetSighting] = ()
    targets: Sequence[Target] = ()


@dataclass(frozen=True, slots=True)
class Elevations:
    """How a unit's accelerometer and tube are. The covariance is that of offset (3), matrix xx yy zz xy xz yz, tube y z."""

    offset_g: Vector  # (3,)
    matrix: Vector  # (3, 3) symmetric: specific force = matrix @ (reading - offset)
    tube_body: Vector  # (3,) unit vector
    covariance: Vector  # (11, 11)
    body_from_sensor: Vector  # (3, 3)
    residual_rad: float  # root mean square of the poses' lengths less 1 g, as an angle of elevation
    scatter: float  # chi-square over its degrees of freedom, before the sigmas were raised; nan where there are none
    raised: float  # what the sigmas were multiplied with

    def sigma_rad(self, elevation_rad: Vector) -> Vector:
        """Return (N,) how well elevations are known, tube upright, for one reading without noise."""
        return np.asarray(np.sqrt(np.diag(self.covariance_rad2(elevation_rad))))

    def covariance_rad2(self, elevation_rad: Vector) -> Vector:
        """Return (N, N) the covariance of what the calibration leaves wrong at elevations, tube upright."""
        values = _packed(self)
        up = _up_at(np.asarray(elevation_rad, dtype=np.float64), self.tube_body) @ self.body_from_sensor
        readings = up @ np.linalg.inv(self.matrix).T + self.offset_g
        lever = slopes(lambda p: elevations_of(p, readings, self.body_from_sensor), values, _sizes(0))
        return np.asarray(lever @ self.covariance @ lever.T)

    @property
    def sigma_zero_rad(self) -> float:
        """Root mean square of the sigmas over 0 to 85 degrees."""
        return float(np.sqrt(np.mean(self.sigma_rad(_JUDGED_RAD) ** 2)))

    def elevation_rad(self, readings_g: Vector) -> Vector:
        """Return the (N,) elevations of the tube for (N, 3) still readings by the nominal sensitivity."""
        return elevations_of(_packed(self), readings_g, self.body_from_sensor)


def adjust(recordings: Recordings, body_from_sensor: Vector, sigma_aim_rad: float = SIGMA_AIM_RAD) -> Elevations:
    """Return the accelerometer and the tube that explain poses and sightings best.

    Parameters
    ----------
    recordings
        Sightings may be none: then the tube is taken for the body's x axis, within three degrees.
    body_from_sensor : (3, 3) array
        How the sensor is mounted.

    Raises
    ------
    CalibrationError
        The poses do not turn every side up, a target is unknown, or the fit does not settle.
    """
    demand_known({sighting.target for sighting in recordings.sightings}, recordings.targets)
    demand_coverage(np.array([pose.force_g @ body_from_sensor.T for pose in recordings.poses]))
    residuals = _residuals(recordings, body_from_sensor, sigma_aim_rad)
    start = np.concatenate([np.zeros(_FIXED), _first_elevations(recordings, body_from_sensor)])
    solution = solve(residuals, start, _sizes(len(recordings.targets)))
    return _answer(solution, recordings, body_from_sensor)


def demand_known(names: AbstractSet[str], targets: Sequence[Target]) -> None:
    """Refuse sightings of something that is no target; CalibrationError names both."""
    known = [target.id for target in targets]
    unknown = sorted(names - set(known))
    if unknown:
        raise CalibrationError(f"sightings of {', '.join(unknown)} have no target; known are {', '.join(known) or 'none'}")


def elevations_of(values: Vector, readings_g: Vector, body_from_sensor: Vector) -> Vector:
    """Return the tube's elevation (N,) of (N, 3) readings, for parameters as in `Elevations.covariance`."""
    force = (readings_g - values[:3]) @ _matrix(values) @ body_from_sensor.T
    tube = _tube(values)
    along = force @ tube
    return np.asarray(np.arctan2(along, np.linalg.norm(np.cross(force, tube), axis=-1)))


# --- the model ------------------------------------------------------------------------------------------------------


def _matrix(values: Vector) -> Vector:
    xx, yy, zz, xy, xz, yz = values[3:9]
    return np.array([[1 + xx, xy, xz], [xy, 1 + yy, yz], [xz, yz, 1 + zz]])


def _tube(values: Vector) -> Vector:
    tube = np.array([1.0, values[9], values[10]])
    return np.asarray(tube / np.linalg.norm(tube))


def _packed(found: Elevations) -> Vector:
    m, tube = found.matrix, found.tube_body
    matrix = [m[0, 0] - 1, m[1, 1] - 1, m[2, 2] - 1, m[0, 1], m[0, 2], m[1, 2]]
    return np.array([*found.offset_g, *matrix, tube[1] / tube[0], tube[2] / tube[0]])


def _sizes(targets: int) -> Vector:
    return np.array([0.05] * 3 + [0.02] * 6 + [0.01] * 2 + [0.1] * targets)


_PRIOR_SIGMA: Final = np.array([_PRIOR_OFFSET_G] * 3 + [_PRIOR_SCALE] * 3 + [PRIOR_CROSS] * 3 + [_PRIOR_TUBE_RAD] * 2)


def _residuals(recordings: Recordings, body_from_sensor: Vector, sigma_aim_rad: float) -> Residuals:
    readings = [*recordings.poses, *(sighting.rest for sighting in recordings.sightings)]
    force = np.array([rest.force_g for rest in readings])
    noise = np.concatenate([_noise(recordings.poses), _noise([sighting.rest for sighting in recordings.sightings])])
    aimed = force[len(recordings.poses) :]
    places = {target.id: index for index, target in enumerate(recordings.targets)}
    target = np.array([places[sighting.target] for sighting in recordings.sightings], dtype=int)
    aim = np.hypot(sigma_aim_rad, noise[len(recordings.poses) :])
    known = [(i, t.elevation_rad, t.sigma_rad) for i, t in enumerate(recordings.targets) if t.elevation_rad is not None]

    def residuals(values: Vector) -> Vector:
        lengths = np.linalg.norm((force - values[:3]) @ _matrix(values), axis=1)
        elevation = values[_FIXED:]
        return np.concatenate([
            (lengths - 1.0) / noise,
            (elevations_of(values, aimed, body_from_sensor) - elevation[target]) / aim,
            [(elevation[i] - taped) / sigma for i, taped, sigma in known],
            values[:_FIXED] / _PRIOR_SIGMA,
        ])  # fmt: skip

    return residuals


def _noise(readings: Sequence[Rest]) -> Vector:
    """Return (N,) the sigma of each mean: what a second scatters, the same for all of one kind, over the root of their seconds."""
    if not readings:
        return np.empty(0)
    seconds = np.array([rest.seconds for rest in readings])
    of_a_second = np.array([rest.sigma_force_g for rest in readings]) * np.sqrt(seconds)
    return np.asarray(np.maximum(np.sqrt(np.mean(of_a_second**2) / seconds), _LEAST_NOISE_G))


def _first_elevations(recordings: Recordings, body_from_sensor: Vector) -> list[float]:
    nominal = np.zeros(_FIXED)
    found = []
    for target in recordings.targets:
        seen = [s.rest.force_g for s in recordings.sightings if s.target == target.id]
        if not seen and target.elevation_rad is None:
            raise CalibrationError(f"target {target.id} was never sighted and has no elevation; sight it or strike it out")
        read = float(np.mean(elevations_of(nominal, np.array(seen), body_from_sensor))) if seen else 0.0
        found.append(read if target.elevation_rad is None else target.elevation_rad)
    return found


def _answer(solution: Solution, recordings: Recordings, body_from_sensor: Vector) -> Elevations:
    values, poses = solution.values[:_FIXED], np.array([pose.force_g for pose in recordings.poses])
    lengths = np.linalg.norm((poses - values[:3]) @ _matrix(values), axis=1)
    # The priors are no observations: they are far wider than the answer, and are counted neither way.
    freedom = solution.freedom - _FIXED
    observed = solution.chi2 - float(np.sum((values / _PRIOR_SIGMA) ** 2))
    more = raised(observed, freedom)
    return Elevations(
        offset_g=values[:3],
        matrix=_matrix(values),
        tube_body=_tube(values),
        covariance=solution.covariance[:_FIXED, :_FIXED] * more**2,
        body_from_sensor=body_from_sensor,
        residual_rad=float(np.sqrt(np.mean((lengths - 1.0) ** 2))),
        scatter=observed / freedom if freedom > 0 else float("nan"),
        raised=more,
    )


def _up_at(elevation_rad: Vector, tube_body: Vector) -> Vector:
    """Return (N, 3) the upward direction in body axes of an upright tube at elevations."""
    top = np.array([0.0, 0.0, 1.0]) - tube_body[2] * tube_body
    top /= np.linalg.norm(top)
    return np.outer(np.sin(elevation_rad), tube_body) + np.outer(np.cos(elevation_rad), top)
