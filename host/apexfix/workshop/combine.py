"""All that was recorded for a unit, written down as one calibration."""

from dataclasses import asdict
from typing import Any, Final

import numpy as np

from apexfix.calibrate.adjustment import Elevations
from apexfix.calibrate.coverage import GOOD_POSES
from apexfix.calibrate.document import FORMAT, Document, date_text
from apexfix.calibrate.encoder import encoder_fields
from apexfix.calibrate.gyro import GyroOffset
from apexfix.calibrate.steps import ENCODER, POSE, SIGHTING, TEST
from apexfix.calibrate.stillness import Rest
from apexfix.calibrate.target import Target
from apexfix.errors import CalibrationError
from apexfix.model import Vector
from apexfix.units import DEG
from apexfix.workshop.answers import (
    eccentricity,
    elevations,
    encoder_marks,
    gyro_matrix,
    gyro_noise,
    gyro_offset,
    sighted_targets,
    still_poses,
    tested,
    whole_turns,
)
from apexfix.workshop.bench import Bench, Item
from apexfix.workshop.words import turned_sigma_rad

_OF_SIGHT: Final = ("accel_offset_g x y z", "accel_matrix xx yy zz xy xz yz", "tube_body y/x z/x")


def combined(bench: Bench) -> tuple[Document, tuple[str, ...]]:
    """Return the calibration of a unit from all that was recorded, and remarks on what it lacks.

    Raises
    ------
    CalibrationError
        The poses do not suffice. Everything else may be missing, and is remarked upon.
    """
    poses, sightings = still_poses(bench), sighted_targets(bench, SIGHTING)
    found = elevations(bench)
    remarks = [*poses.refused, *sightings.refused, *whole_turns(bench).refused, *encoder_marks(bench).refused]
    if len(poses.used) < GOOD_POSES:
        remarks.append(f"{len(poses.used)} poses cannot show how the axes lean on each other; take {GOOD_POSES} to 18")
    if not sightings.used:
        remarks.append("no target was sighted: the tube's own direction is taken for the body's, within three degrees")
    offset = gyro_offset(bench)
    document = {**_head(bench), **_elevation_fields(found), **_offset_fields(offset)}
    document["gyro_matrix"] = np.eye(3).tolist()
    for fields in (_gyro_fields, _noise_fields, _test_fields, _encoder_fields):
        try:
            document.update(fields(bench, found))
        except CalibrationError as error:
            remarks.append(str(error))
    return {**document, **_raw(bench)}, tuple(remarks)


# --- writing it down ------------------------------------------------------------------------------------------------


def _head(bench: Bench) -> dict[str, Any]:
    made = date_text(bench.utc_us(POSE, SIGHTING))
    warmth = [t for item in bench.items if (t := item.samples.temperature_celsius) is not None]
    return {
        "format": FORMAT,
        "id": f"{bench.unit}-{made[:10]}",
        "serial": bench.serial,
        "unit": bench.unit,
        "imu": bench.imu,
        "date_utc": made,
        "temperature_celsius": [min(warmth), max(warmth)] if warmth else None,
    }


def _elevation_fields(found: Elevations) -> dict[str, Any]:
    return {
        "accel_offset_g": _listed(found.offset_g, 7),
        "accel_matrix": _listed(found.matrix, 7),
        "tube_body": _listed(found.tube_body, 7),
        "sigma_elevation_zero_deg": round(found.sigma_zero_rad / DEG, 5),
        "residual_elevation_deg": round(found.residual_rad / DEG, 5),
        "sigmas_raised": round(found.raised, 3),
        "covariance": {"parameters": list(_OF_SIGHT), "matrix": found.covariance.tolist()},
    }


def _offset_fields(offset: GyroOffset) -> dict[str, Any]:
    trend = offset.trend_dps_per_celsius
    return {
        "gyro_offset_dps": _listed(offset.offset_dps, 5),
        "gyro_offset_temperature_celsius": round(offset.temperature_celsius, 2),
        "gyro_trend_dps_per_celsius": None if trend is None else _listed(trend, 6),
    }


def _gyro_fields(bench: Bench, found: Elevations) -> dict[str, Any]:
    matrix = gyro_matrix(bench, found)
    turns = whole_turns(bench).values
    return {
        "gyro_matrix": _listed(matrix.matrix, 7),
        "gyro_covariance": matrix.covariance.tolist(),
        "turns": [{"angle_deg": t.angle_deg.tolist(), "up_g": t.up_g.tolist(), "turns": t.turns} for t in turns],
    }


def _noise_fields(bench: Bench, _: Elevations) -> dict[str, Any]:
    return {"gyro_noise_dps_per_root_hz": [round(axis.white, 6) for axis in gyro_noise(bench)]}


def _test_fields(bench: Bench, found: Elevations) -> dict[str, Any]:
    test = tested(bench, found)
    fields = {
        "sigma_elevation_deg": round(test.elevation.sigma_rad / DEG, 5),
        "sigma_elevation_freedom": test.elevation.freedom,
        "field_test_index_deg": round(test.index_rad / DEG, 5),
    }
    if test.azimuth is not None:
        fields["sigma_azimuth_deg"] = round(test.azimuth.sigma_rad / DEG, 5)
        fields["sigma_azimuth_freedom"] = test.azimuth.freedom
    return fields


def _encoder_fields(bench: Bench, _: Elevations) -> dict[str, Any]:
    if not bench.of(ENCODER):  # a part that a unit may do without
        return {}
    fit, marks = eccentricity(bench), encoder_marks(bench).used
    return {
        "encoder": encoder_fields(fit.eccentricity),
        "encoder_sigma_turned_deg": round(turned_sigma_rad(fit.eccentricity) / DEG, 4),
        "encoder_sigma_raised": round(fit.raised, 3),
        "encoder_marks": [
            {"log": item.step.log, "record": item.step.record, "angle": mark.angle, "mark_deg": round(mark.mark_rad / DEG, 6)}
            for item, mark in marks
        ],
    }


def _raw(bench: Bench) -> dict[str, Any]:
    """Return the still readings, and the targets: from these the fit can be done again without the archive."""
    used: list[tuple[Item, Rest]] = list(still_poses(bench).used)
    for kind in (SIGHTING, TEST):
        used += [(item, sighting.rest) for item, sighting in sighted_targets(bench, kind).used]
    sighted = {item.step.target for item, _ in used}
    return {
        "targets": [_target_fields(target) for target in bench.targets if target.id in sighted],
        "recordings": [{**asdict(item.step), **_rest_fields(rest)} for item, rest in used],
    }


def _target_fields(target: Target) -> dict[str, Any]:
    elevation_deg = None if target.elevation_rad is None else target.elevation_rad / DEG
    return {"target": target.id, "elevation_deg": elevation_deg, "sigma_elevation_deg": target.sigma_rad / DEG}


def _rest_fields(rest: Rest) -> dict[str, Any]:
    fields = asdict(rest)
    return {**fields, "force_g": rest.force_g.tolist(), "rate_dps": rest.rate_dps.tolist()}


def _listed(values: Vector, digits: int) -> list[Any]:
    rounded: list[Any] = np.round(values, digits).tolist()
    return rounded
