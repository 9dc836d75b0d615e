"""What each kind of recording says of a unit."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

import numpy as np
from scipy.spatial.transform import Rotation

from apexfix.calibrate import steps as kinds
from apexfix.calibrate.adjustment import Elevations, Recordings, TargetSighting, adjust, demand_known
from apexfix.calibrate.allan import Noise, noise_of
from apexfix.calibrate.check import Checked, Claim, check
from apexfix.calibrate.coverage import missing
from apexfix.calibrate.document import Document
from apexfix.calibrate.encoder import SIGMA_MARK_RAD, EccentricityFit, fit_eccentricity, reading_rad
from apexfix.calibrate.field_test import FieldTest, Reading, field_test
from apexfix.calibrate.gyro import GyroMatrix, GyroOffset, Turn, fit_offset, fit_turns, turn_in
from apexfix.calibrate.imu import ImuCalibration, carried_calibration, tube_elevation_rad
from apexfix.calibrate.stated import stated_sigmas
from apexfix.calibrate.steps import Step
from apexfix.calibrate.stillness import AIM, REST, Rest, rest_around
from apexfix.calibrate.target import Target, demand_level
from apexfix.errors import CalibrationError
from apexfix.geometry import angles
from apexfix.units import DEG, US
from apexfix.workshop.bench import Bench, Item

T = TypeVar("T")

# Of one reading, where a calibration has no field test behind it; common practice with open sights on a support.
_SIGMA_READING_RAD = 0.1 * DEG
NO_ENCODER: Final = (
    "the unit saw no encoder with a magnet; wire the encoder, bring its magnet within 3 mm, and switch the unit on again"
)


@dataclass(frozen=True, slots=True)
class Worked(Generic[T]):
    """What came of one kind of press: whose values they are, and why others were refused."""

    used: tuple[tuple[Item, T], ...]
    refused: tuple[str, ...]

    @property
    def values(self) -> tuple[T, ...]:
        """The values alone."""
        return tuple(value for _, value in self.used)


@dataclass(frozen=True, slots=True)
class EncoderMark:
    """One mark of a turn of the stand."""

    angle: int  # by the encoder, 4096ths of a turn
    mark_rad: float  # where it truly was, clockwise


def still_poses(bench: Bench) -> Worked[Rest]:
    """Return the mean of every pose that was still."""
    return _worked(bench.of(kinds.POSE), _pose)


def sighted_targets(bench: Bench, kind: str) -> Worked[TargetSighting]:
    """Return the mean around every press on a target."""
    return _worked(bench.of(kind), _sighting)


def whole_turns(bench: Bench) -> Worked[Turn]:
    """Return the turns that came back onto their mark."""
    return _worked(bench.of(kinds.TURN), _turn)


def objection(bench: Bench, step: Step) -> str:
    """Return why the press of a step cannot be used, nothing where it can."""
    own = next((i for i in bench.items if (i.step.log, i.step.record) == (step.log, step.record)), None)
    if own is None:
        return "no samples came with the press"
    try:
        _WORK[own.step.kind](own)
    except CalibrationError as error:
        return str(error)
    return ""


def tube(bench: Bench) -> Elevations:
    """Return the same as `elevations`; CalibrationError where no level target, or none at all, was sighted."""
    demand_level(bench.targets)
    if not sighted_targets(bench, kinds.SIGHTING).used:
        raise CalibrationError("no target was sighted yet; give the unit's port with --port and aim as you are asked")
    return elevations(bench)


def elevations(bench: Bench) -> Elevations:
    """Return the accelerometer and the tube from all poses and sightings; CalibrationError where they do not suffice."""
    recordings = Recordings(still_poses(bench).values, sighted_targets(bench, kinds.SIGHTING).values, bench.targets)
    used = {sighting.target for sighting in recordings.sightings}
    own = tuple(target for target in bench.targets if target.id in used)
    return adjust(Recordings(recordings.poses, recordings.sightings, own), bench.nominal.body_from_sensor)


def missing_poses(bench: Bench) -> tuple[str, ...]:
    """Return the poses that are still to be taken, in words, the next one first."""
    rests = still_poses(bench).values
    if not rests:
        return missing(np.empty((0, 3)))
    return missing(np.array([rest.force_g @ bench.nominal.body_from_sensor.T for rest in rests]))


def gyro_matrix(bench: Bench, found: Elevations) -> GyroMatrix:
    """Return the gyroscope's matrix from the turns; CalibrationError where they do not suffice."""
    turns = whole_turns(bench).values
    return fit_turns(turns, found.offset_g, found.matrix)


def gyro_offset(bench: Bench) -> GyroOffset:
    """Return the gyroscope's offset at rest, over all poses."""
    return fit_offset(still_poses(bench).values)


def gyro_noise(bench: Bench) -> tuple[Noise, Noise, Noise]:
    """Return the noise of the three axes from the longest recording at rest; CalibrationError where there is none."""
    still = bench.of(kinds.STILL)
    if not still:
        raise CalibrationError("no recording at rest seen; leave the unit untouched for twenty seconds and record it as 'still'")
    return _still(max(still, key=lambda item: len(item.samples.t_us)))


def tested(bench: Bench, found: Elevations) -> FieldTest:
    """Return what the field test says of this unit with this observer; CalibrationError where it is incomplete."""
    sighted = sighted_targets(bench, kinds.TEST)
    runs = {(item.step.set, item.press.boot, item.press.run) for item, _ in sighted.used}
    headed = len(runs) == len({run[0] for run in runs})  # a lost heading inside a set would pass for a poor azimuth
    return field_test([_reading(item, sighting, found, headed) for item, sighting in sighted.used])


def encoder_marks(bench: Bench) -> Worked[EncoderMark]:
    """Return what the encoder on the stand's axis showed at the marks of a turn."""
    return _worked(bench.of(kinds.ENCODER), _encoder_mark)


def eccentricity(bench: Bench) -> EccentricityFit:
    """Return the encoder's eccentricity from the marks of a turn; CalibrationError where they do not suffice."""
    marks = encoder_marks(bench).values
    readings = reading_rad(np.array([mark.angle for mark in marks]))
    return fit_eccentricity(readings, np.array([mark.mark_rad for mark in marks]), SIGMA_MARK_RAD)


def checked(bench: Bench, document: Document) -> tuple[Checked, tuple[Target, ...]]:
    """Compare the sightings of known heights with what a calibration claims; CalibrationError where there are too few."""
    sighted = sighted_targets(bench, kinds.CHECK).values
    names = {sighting.target for sighting in sighted}
    demand_known(names, bench.targets)
    targets = tuple(target for target in bench.targets if target.id in names)
    used = carried_calibration({**_boot_figures(bench.nominal), "calibration": document})
    readings = [[tube_elevation_rad(used, s.rest.force_g) for s in sighted if s.target == target.id] for target in targets]
    return check(targets, readings, _claim(document)), targets


def _pose(item: Item) -> Rest:
    return rest_around(item.samples, 0, REST)


def _sighting(item: Item) -> TargetSighting:
    return TargetSighting(item.step.target, rest_around(item.samples, 0, AIM))


def _encoder_mark(item: Item) -> EncoderMark:
    return EncoderMark(_clamped(item), float(item.step.target) * DEG)


def _clamped(item: Item) -> int:
    """Return what the encoder showed while the tube was still."""
    if item.angle is None:
        raise CalibrationError(NO_ENCODER)
    rest_around(item.samples, 0, AIM)
    return item.angle


def _turn(item: Item) -> Turn:
    return turn_in(item.samples)


def _still(item: Item) -> tuple[Noise, Noise, Noise]:
    samples = item.samples
    rest_around(samples, 0, REST)
    rate_hz = (len(samples.t_us) - 1) / (float(samples.t_us[-1] - samples.t_us[0]) * US)
    x, y, z = (noise_of(samples.rate_dps[:, axis], rate_hz) for axis in range(3))
    return x, y, z


_WORK: Final[Mapping[str, Callable[[Item], object]]] = {
    kinds.POSE: _pose,
    kinds.SIGHTING: _sighting,
    kinds.TEST: _sighting,
    kinds.CHECK: _sighting,
    kinds.TURN: _turn,
    kinds.STILL: _still,
    kinds.ENCODER: _encoder_mark,
    kinds.STAND: _clamped,
}


def _worked(items: tuple[Item, ...], work: Callable[[Item], T]) -> Worked[T]:
    used: list[tuple[Item, T]] = []
    refused = []
    for item in items:
        try:
            used.append((item, work(item)))
        except CalibrationError as error:
            refused.append(f"press {item.press.sequence} ({item.step.kind}) is not used: {error}")
    return Worked(tuple(used), tuple(refused))


def _reading(item: Item, sighting: TargetSighting, found: Elevations, headed: bool) -> Reading:
    elevation = float(found.elevation_rad(sighting.rest.force_g[None])[0])
    heading, _ = angles(Rotation.from_quat(item.press.level_from_body, scalar_first=True).apply(found.tube_body))
    step = item.step
    return Reading(step.set, step.target, step.face, item.press.t_us * US, elevation, float(heading) if headed else None)


def _boot_figures(nominal: ImuCalibration) -> dict[str, object]:
    return {
        "accel_lsb_per_g": nominal.accel_lsb_per_g,
        "gyro_lsb_per_dps": nominal.gyro_lsb_per_dps,
        "body_from_sensor": nominal.body_from_sensor,
    }


def _claim(document: Document) -> Claim:
    stated = stated_sigmas(document)
    if stated.elevation_zero_rad is None:
        raise CalibrationError("the calibration states no sigma_elevation_zero_deg; combine it again")
    return Claim(stated.elevation_rad or _SIGMA_READING_RAD, stated.elevation_zero_rad)
