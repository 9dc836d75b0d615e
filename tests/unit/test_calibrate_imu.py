"""Counts to physical units by a carried calibration."""

import numpy as np
import pytest

from apexfix.calibrate.imu import carried_calibration, rate_rad_s, specific_force_g
from apexfix.errors import CalibrationError
from apexfix.units import DEG

# MPU-6000/MPU-6050 product specification, sections 6.1 and 6.2: sensitivities at 500 deg/s and 2 g
UPRIGHT = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]
BOOT = {"accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5, "body_from_sensor": UPRIGHT, "calibration": None}


def counts(*rows):
    return np.array(rows, dtype=np.int16)


def test_nominal_counts_are_one_g_and_one_degree_a_second():
    nominal = carried_calibration(BOOT)
    assert specific_force_g(nominal, counts([0, 0, 16384])).tolist() == [[0.0, 0.0, 1.0]]
    assert rate_rad_s(nominal, counts([131, 0, 0]), np.zeros(3))[0] / DEG == pytest.approx([2.0, 0.0, 0.0])


def test_six_faces_with_offset_and_scale_come_out_as_unit_vectors():
    # an exact vector, worked by hand: each pair of faces averages to the offset and spans twice the scale
    offset, scale = np.array([200, -100, 600]) / 16384, np.array([16300, 16400, 16300]) / 16384
    boot = BOOT | {"calibration": {"accel_offset_g": offset.tolist(), "accel_matrix": np.diag(1 / scale).tolist()}}
    x = counts([16500, -100, 600], [-16100, -100, 600])
    y = counts([200, 16300, 600], [200, -16500, 600])
    z = counts([200, -100, 16900], [200, -100, -15700])
    faces = np.concatenate([x, y, z])
    found = specific_force_g(carried_calibration(boot), faces)
    assert found == pytest.approx(np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]]), abs=1e-12)


def test_the_mounting_turns_sensor_axes_into_body_axes_and_the_offset_is_taken_off_there():
    sideways = BOOT | {"body_from_sensor": [[0, 1, 0], [-1, 0, 0], [0, 0, 1]]}
    calibration = carried_calibration(sideways)
    assert specific_force_g(calibration, counts([0, 16384, 0])).tolist() == [[1.0, 0.0, 0.0]]
    rate = rate_rad_s(calibration, counts([0, 655, 0]), np.array([1.0, 0.0, 0.0]) * DEG)
    assert rate[0] / DEG == pytest.approx([9.0, 0.0, 0.0])


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"calibration": {"accel_matrix": [1, 2, 3]}}, "accel_matrix"),
        ({"calibration": {"tube_body": [2, 0, 0]}}, "tube_body"),
        ({"calibration": {"gyro_matrix": "x"}}, "gyro_matrix"),
        ({"calibration": [1]}, "list"),
        ({"body_from_sensor": [[1, 0, 0], [0, 1, 0], [0, 0, -1]]}, "body_from_sensor"),
        ({"accel_lsb_per_g": None}, "accel_lsb_per_g"),
    ],
)
def test_a_calibration_that_cannot_be_is_refused_by_name(change, named):
    with pytest.raises(CalibrationError, match=named):
        carried_calibration(BOOT | change)


def test_a_boot_record_without_scales_is_refused():
    with pytest.raises(CalibrationError, match="gyro_lsb_per_dps"):
        carried_calibration({"accel_lsb_per_g": 16384})
