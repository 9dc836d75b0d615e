"""Raw counts to specific force and rate, by the calibration that the unit carried (docs/protocol.md, section 5)."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from apexfix.calibrate.encoder import Eccentricity, carried_eccentricity
from apexfix.calibrate.stated import StatedSigmas, stated_sigmas
from apexfix.errors import CalibrationError
from apexfix.model import Vector
from apexfix.units import DEG

Counts = NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class ImuCalibration:
    """Corrections in sensor axes, the mounting, and the line of sight."""

    id: str
    accel_lsb_per_g: float
    gyro_lsb_per_dps: float
    accel_offset_g: Vector  # (3,)
    accel_matrix: Vector  # (3, 3) specific force in g = matrix @ (counts / lsb - offset)
    gyro_matrix: Vector  # (3, 3) rate = matrix @ (counts / lsb), before the still offset is taken off
    body_from_sensor: Vector  # (3, 3) a rotation
    tube_body: Vector  # (3,) unit vector of the line of sight
    stated: StatedSigmas  # how good the angles are that come of it
    encoder: Eccentricity | None  # of the stand that the unit stands on; None where no marks were taken


def specific_force_g(calibration: ImuCalibration, counts: Counts) -> Vector:
    """Return (N, 3) specific force in body axes, in g, of (N, 3) accelerometer counts."""
    sensor = (counts / calibration.accel_lsb_per_g - calibration.accel_offset_g) @ calibration.accel_matrix.T
    return np.asarray(sensor @ calibration.body_from_sensor.T)


def rate_rad_s(calibration: ImuCalibration, counts: Counts, gyro_offset_rad_s: Vector) -> Vector:
    """Return (N, 3) rates in body axes of (N, 3) gyroscope counts; the offset (3,) is the unit's own, in body axes."""
    sensor = (counts / calibration.gyro_lsb_per_dps) @ calibration.gyro_matrix.T
    return np.asarray(sensor @ calibration.body_from_sensor.T * DEG - gyro_offset_rad_s)


def tube_elevation_rad(calibration: ImuCalibration, force_g: Vector) -> float:
    """Return the elevation of the tube at rest, from the mean (3,) of the accelerometer by its nominal sensitivity, sensor axes."""
    sensor = calibration.accel_matrix @ (force_g - calibration.accel_offset_g)
    body = calibration.body_from_sensor @ sensor
    tube = calibration.tube_body
    return float(np.arctan2(body @ tube, np.linalg.norm(np.cross(body, tube))))


def carried_calibration(boot: Mapping[str, object]) -> ImuCalibration:
    """Return the calibration in a unit's boot record; nominal figures where the unit carried none.

    Raises
    ------
    CalibrationError
        A field is missing, has another shape than docs/protocol.md gives it, or is no rotation or unit vector where one is needed.
    """
    carried = boot.get("calibration") or {}
    if not isinstance(carried, Mapping):
        raise CalibrationError(f"the unit's calibration is {type(carried).__name__}, expected an object; put it on the unit again")
    tube = _array(carried, "tube_body", (1.0, 0.0, 0.0))
    mount = _array(boot, "body_from_sensor", np.eye(3))
    if abs(float(np.linalg.norm(tube)) - 1.0) > 1e-3:
        raise CalibrationError(f"tube_body has length {np.linalg.norm(tube):.4f}, expected 1; calibrate the line of sight again")
    if not np.allclose(mount @ mount.T, np.eye(3), atol=1e-6) or np.linalg.det(mount) < 0:
        raise CalibrationError("body_from_sensor is not a rotation; check how the sensor's axes are set on the unit")
    return ImuCalibration(
        id=str(carried.get("id", "nominal")),
        accel_lsb_per_g=_scale(boot, "accel_lsb_per_g"),
        gyro_lsb_per_dps=_scale(boot, "gyro_lsb_per_dps"),
        accel_offset_g=_array(carried, "accel_offset_g", np.zeros(3)),
        accel_matrix=_array(carried, "accel_matrix", np.eye(3)),
        gyro_matrix=_array(carried, "gyro_matrix", np.eye(3)),
        body_from_sensor=mount,
        tube_body=tube / np.linalg.norm(tube),
        stated=stated_sigmas(carried),
        encoder=carried_eccentricity(carried),
    )


def _scale(boot: Mapping[str, object], name: str) -> float:
    """Return the counts for a unit of measure; a sensor of sixteen bits has at least one, and no more than it can count."""
    found = float(_array(boot, name, 1.0, required=True))
    if not 1 <= found <= 1 << 16:
        raise CalibrationError(f"{name} is {found:g}, expected 1 to 65536; was it written by another firmware?")
    return found


def _array(fields: Mapping[str, object], name: str, nominal: object, *, required: bool = False) -> Vector:
    """Return one field as an array of the nominal value's shape."""
    if name not in fields and required:
        raise CalibrationError(f"the unit's boot record lacks {name}; was it written by another firmware?")
    wanted = np.asarray(nominal, dtype=np.float64)
    try:
        found = np.asarray(fields.get(name, nominal), dtype=np.float64)
    except (TypeError, ValueError):
        raise CalibrationError(f"{name} is {fields[name]!r}, expected numbers of shape {wanted.shape}") from None
    if found.shape != wanted.shape or not np.all(np.isfinite(found)):
        raise CalibrationError(f"{name} is {fields[name]!r}, expected finite numbers of shape {wanted.shape}")
    return found
