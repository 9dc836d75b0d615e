"""Inertial sensors with their faults: true motion in, register counts out.

Tolerances are those of the data sheets (MPU-6050: InvenSense PS-MPU-6000A rev 3.4, sections 6.1 and 6.2; LSM6DSOX: ST DS12814,
tables 2 and 3), typical values taken as one sigma; figures from memory.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from apexfix.units import DEG

Vector = NDArray[np.float64]
Counts = NDArray[np.int32]

SAMPLE_HZ: Final = 200
COLUMNS: Final = 7  # accelerometer x y z, gyroscope x y z, temperature in hundredths of a degree
_BANDWIDTH_HZ: Final = 44.0  # of the low-pass filter that the noise is taken behind
_ROOM_C: Final = 25.0

# What calibrating in 18 poses with a level zero of the sighting axis leaves (1 sigma); together about 0.05 degrees of elevation.
RESIDUAL_OFFSET_G: Final = 0.0005
RESIDUAL_MATRIX: Final = 0.0005
RESIDUAL_GYRO_MATRIX: Final = 0.001
RESIDUAL_TUBE_RAD: Final = 0.02 * DEG
CALIBRATED_UTC: Final = "2026-06-01T18:00:00+00:00"  # an evening before the invented days
CALIBRATED_C: Final = (20.0, 30.0)


@dataclass(frozen=True, slots=True)
class Part:
    """A kind of sensor. Counts are at its finest ranges; tolerances are one sigma."""

    name: str
    accel_lsb_per_g: float
    gyro_lsb_per_dps: float
    accel_offset_g: float
    accel_scale: float
    cross_axis: float
    gyro_offset_dps: float
    gyro_scale: float
    gyro_drift_dps_per_c: float
    accel_drift_g_per_c: float
    accel_noise_g: float  # per root hertz
    gyro_noise_dps: float  # per root hertz


MPU6050: Final = Part("MPU-6050", 16384.0, 131.0, 0.04, 0.015, 0.01, 5.0, 0.015, 0.03, 0.0004, 400e-6, 0.005)
LSM6DSOX: Final = Part("LSM6DSOX", 1000 / 0.061, 1000 / 4.375, 0.02, 0.005, 0.005, 0.5, 0.005, 0.01, 0.0001, 70e-6, 0.0038)


@dataclass(frozen=True, slots=True)
class Faults:
    """What is wrong with one sensor: counts / lsb = matrix @ (true specific force or rate) + offset; and where its tube points."""

    accel_offset_g: Vector  # (3,)
    accel_matrix: Vector  # (3, 3)
    gyro_offset_dps: Vector  # (3,)
    gyro_matrix: Vector  # (3, 3)
    gyro_drift_dps_per_c: Vector  # (3,)
    accel_drift_g_per_c: Vector  # (3,)
    tube_body: Vector  # (3,) unit vector of the line of sight


def faults(rng: np.random.Generator, part: Part) -> Faults:
    """Draw a sensor as it leaves the factory, mounted by hand on a tube (half a degree, one sigma)."""
    return Faults(
        accel_offset_g=rng.normal(0, part.accel_offset_g, 3),
        accel_matrix=_distortion(rng, part.accel_scale, part.cross_axis),
        gyro_offset_dps=rng.normal(0, part.gyro_offset_dps, 3),
        gyro_matrix=_distortion(rng, part.gyro_scale, part.cross_axis),
        gyro_drift_dps_per_c=rng.normal(0, part.gyro_drift_dps_per_c, 3),
        accel_drift_g_per_c=rng.normal(0, part.accel_drift_g_per_c, 3),
        tube_body=_turned(rng, np.array([1.0, 0.0, 0.0]), 0.5 * DEG),
    )


def _distortion(rng: np.random.Generator, scale: float, cross: float) -> Vector:
    return np.eye(3) + np.diag(rng.normal(0, scale, 3)) + rng.normal(0, cross, (3, 3)) * (1 - np.eye(3))


def _turned(rng: np.random.Generator, axis: Vector, sigma_rad: float) -> Vector:
    return np.asarray(Rotation.from_rotvec(np.array([0.0, *rng.normal(0, sigma_rad, 2)])).apply(axis))


def calibration(rng: np.random.Generator, true: Faults, name: str) -> dict[str, object]:
    """Return the calibration object of a unit: its true faults, known but for a small stated residual.

    A calibrated unit is assumed, not simulated: each figure is the truth plus a normal error of the RESIDUAL_* sigmas of this
    module, at the temperature of the calibration (25 degrees C). The gyro offset is not in it; the unit finds that at rest.
    """
    accel = np.linalg.inv(true.accel_matrix) + rng.normal(0, RESIDUAL_MATRIX, (3, 3))
    gyro = np.linalg.inv(true.gyro_matrix) + rng.normal(0, RESIDUAL_GYRO_MATRIX, (3, 3))
    tube = _turned(rng, true.tube_body, RESIDUAL_TUBE_RAD)
    return {
        "id": name,
        "date_utc": CALIBRATED_UTC,
        "temperature_celsius": list(CALIBRATED_C),
        "accel_offset_g": _rounded(true.accel_offset_g + rng.normal(0, RESIDUAL_OFFSET_G, 3)),
        "accel_matrix": [_rounded(row) for row in accel],
        "gyro_matrix": [_rounded(row) for row in gyro],
        "tube_body": _rounded(tube),
    }


def _rounded(values: Vector) -> list[float]:
    return [round(float(value), 6) for value in values]


def counts(rng: np.random.Generator, part: Part, true: Faults, motion: tuple[Vector, Vector, Vector]) -> Counts:
    """Return (N, 7) counts at the finest ranges, unclipped, for SAMPLE_HZ.

    ``motion`` is the specific force in g (N, 3), the rate in degrees per second (N, 3), both in sensor axes, and the temperature
    in degrees Celsius (N,). The noise is white in the band of a low-pass filter of about 40 Hz.
    """
    force_g, rate_dps, temperature_c = motion
    warmth = (temperature_c - _ROOM_C)[:, None]
    noise = rng.normal(0, 1, (len(force_g), 6)) * np.sqrt(_BANDWIDTH_HZ * np.pi / 2)
    accel = force_g @ true.accel_matrix.T + true.accel_offset_g + warmth * true.accel_drift_g_per_c
    gyro = rate_dps @ true.gyro_matrix.T + true.gyro_offset_dps + warmth * true.gyro_drift_dps_per_c
    accel = (accel + noise[:, :3] * part.accel_noise_g) * part.accel_lsb_per_g
    gyro = (gyro + noise[:, 3:] * part.gyro_noise_dps) * part.gyro_lsb_per_dps
    return np.asarray(np.rint(np.column_stack([accel, gyro, temperature_c * 100])), dtype=np.int32)


def motion_of(enu_from_body: Rotation, arm_m: float) -> tuple[Vector, Vector]:
    """Return the specific force (g) and the rate (degrees per second) that a held unit feels, (N, 3) each, in body axes.

    The unit turns about a shoulder, ``arm_m`` behind it along the tube. Rate and force are of the same instant, as a part's equal
    low-pass filters leave them (MPU-6050 register map, DLPF_CFG 3: delays of 4.9 and 4.8 ms; from memory).
    """
    matrices = enu_from_body.as_matrix()
    place = arm_m * matrices[:, :, 0]
    acceleration = np.zeros_like(place)
    acceleration[1:-1] = (place[2:] - 2 * place[1:-1] + place[:-2]) * SAMPLE_HZ**2
    upward = acceleration / 9.80665 + np.array([0.0, 0.0, 1.0])
    force_g = np.einsum("nji,nj->ni", matrices, upward)
    step = (enu_from_body[:-1].inv() * enu_from_body[1:]).as_rotvec() * SAMPLE_HZ / DEG
    around = np.vstack([np.zeros((1, 3)), step, np.zeros((1, 3))])  # at rest before and after
    rate = (around[1:] + around[:-1]) / 2  # the step before a sample alone would lag by half of it
    return force_g, rate
