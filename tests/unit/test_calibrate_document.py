"""Calibration files: whose they are, whether they still hold, and what is damaged about them."""

import contextlib
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.calibrate.document import (
    calibration_for,
    carried_part,
    concerns,
    demand_fresh,
    demand_own,
    file_name,
    read_document,
    write_document,
)
from apexfix.calibrate.stated import stated_sigmas
from apexfix.errors import ApexfixError, CalibrationError, FileError
from apexfix.units import DEG, SECOND_US

BOOT = {"serial": "e661", "imu": "MPU-6050", "accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5,
        "body_from_sensor": [[1, 0, 0], [0, 1, 0], [0, 0, 1]], "calibration": {"id": "carried"}}  # fmt: skip
GOOD = {
    "format": 1, "id": "u01-2026-05-01", "serial": "e661", "unit": "u01", "imu": "MPU-6050", "date_utc": "2026-05-01T10:00:00Z",
    "temperature_celsius": [18.0, 24.0], "accel_offset_g": [0.01, 0, 0], "accel_matrix": np.eye(3).tolist(), "tube_body": [1, 0, 0],
    "sigma_elevation_zero_deg": 0.02, "sigma_elevation_deg": 0.08, "recordings": [],
}  # fmt: skip
MAY_US = 1_777_629_600 * SECOND_US  # 2026-05-01 10:00 UTC
DAY_US = 86400 * SECOND_US


def test_what_is_written_is_read(tmp_path):
    write_document(tmp_path / "c.json", GOOD)
    assert read_document(tmp_path / "c.json") == GOOD


def test_the_calibration_in_the_folder_comes_before_the_one_that_the_unit_carried(tmp_path):
    assert calibration_for(tmp_path, "e661", BOOT).id == "carried"
    write_document(tmp_path / file_name("e661"), GOOD)
    found = calibration_for(tmp_path, "e661", BOOT)
    assert found.id == "u01-2026-05-01"
    assert (found.stated.elevation_rad, found.stated.elevation_zero_rad) == (0.08 * DEG, 0.02 * DEG)


def test_the_calibration_of_another_unit_is_refused_with_both_serials(tmp_path):
    with pytest.raises(CalibrationError, match="of serial 'e661', this unit is 'f772'; calibrate this unit itself"):
        demand_own(GOOD, "f772", "MPU-6050")
    write_document(tmp_path / file_name("f772"), GOOD)
    with pytest.raises(CalibrationError, match=r"calibration-f772\.json: .*of serial 'e661'"):
        calibration_for(tmp_path, "f772", BOOT)


def test_the_calibration_of_another_sensor_is_refused():
    with pytest.raises(CalibrationError, match="of a MPU-6050, the unit now has a LSM6DSOX; calibrate it again"):
        demand_own(GOOD, "e661", "LSM6DSOX")


def test_a_fresh_calibration_at_its_own_temperature_raises_no_concern():
    assert concerns(GOOD, MAY_US + 364 * DAY_US, 21.0) == ()
    assert concerns(GOOD, MAY_US, None) == ()
    assert concerns({**GOOD, "temperature_celsius": None}, MAY_US, 40.0) == ()


def test_a_stale_calibration_is_named_with_its_age():
    assert concerns(GOOD, MAY_US + 400 * DAY_US, 21.0) == (
        "the calibration is 400 days old; check it against a known height, or calibrate again",
    )


@pytest.mark.parametrize("days", [-731, 731])
def test_two_years_from_its_date_a_calibration_is_refused_until_it_is_checked(days):
    demand_fresh(GOOD, MAY_US + 729 * DAY_US)
    demand_fresh(GOOD, MAY_US - 729 * DAY_US)
    with pytest.raises(CalibrationError, match="731 days from its date and from its last check, at most 730 expected; check it"):
        demand_fresh(GOOD, MAY_US + days * DAY_US)


def test_a_check_that_was_passed_makes_a_calibration_younger():
    passed = GOOD | {"checked_utc": "2028-04-01T10:00:00Z"}  # 701 days later
    assert concerns(passed, MAY_US + 701 * DAY_US, 21.0) == ()
    demand_fresh(passed, MAY_US + 1430 * DAY_US)
    with pytest.raises(CalibrationError, match="739 days"):
        demand_fresh(passed, MAY_US + 1440 * DAY_US)
    assert "checked_utc" in carried_part(passed)


def test_a_date_that_cannot_be_read_is_not_fresh():
    with pytest.raises(CalibrationError, match="date cannot be read"):
        demand_fresh(GOOD | {"date_utc": "soon"}, MAY_US)


@pytest.mark.parametrize("celsius", [12.0, 30.0])
def test_a_temperature_beyond_the_calibrated_range_is_named_with_the_range(celsius):
    (said,) = concerns(GOOD, MAY_US, celsius)
    assert f"at {celsius:.0f} °C, it was calibrated from 18 to 24 °C" in said


@pytest.mark.parametrize(
    "change",
    [{"date_utc": "yesterday"}, {"temperature_celsius": [1]}, {"temperature_celsius": ["a", "b"]}, {"date_utc": "2026-05-01"}],
)
def test_a_date_or_a_range_that_cannot_be_read_is_refused(change):
    with pytest.raises(CalibrationError, match=r"(date|temperatures) cannot be read"):
        concerns({**GOOD, **change}, MAY_US, 20.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "JSON expected"),
        ("{\n 'id': 1}", "line 2"),
        ("[1, 2]", "format 'list' seen, 1 expected"),
        ('{"format": 2}', "format 2 seen, 1 expected"),
        ("[" * 200_000, "a calibration expected"),
    ],
)
def test_a_damaged_file_is_refused_by_name(tmp_path, text, said):
    (tmp_path / "c.json").write_text(text)
    with pytest.raises(FileError, match=r"c\.json") as refused:
        read_document(tmp_path / "c.json")
    assert said in str(refused.value)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("accel_offset_g", [1, 2]),
        ("accel_offset_g", [float("nan")] * 3),
        ("accel_matrix", "x"),
        ("gyro_matrix", [[1, 0, 0]]),
        ("tube_body", [2, 0, 0]),
        ("sigma_elevation_deg", -1),
        ("sigma_azimuth_deg", True),
        ("sigma_elevation_zero_deg", "0.1"),
    ],
)
def test_a_damaged_field_is_refused_by_name(tmp_path, field, value):
    (tmp_path / file_name("e661")).write_text(json.dumps({**GOOD, field: value}))
    with pytest.raises(CalibrationError, match=field):
        calibration_for(tmp_path, "e661", BOOT)


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5), lambda inner: st.lists(inner, max_size=4), max_leaves=12
)


@given(st.sampled_from(sorted(GOOD)), _JSON)
def test_any_damage_is_an_error_that_a_person_can_act_on(tmp_path_factory, field, value):
    folder = tmp_path_factory.getbasetemp()
    (folder / file_name("e661")).write_text(json.dumps({**GOOD, field: value}))
    with contextlib.suppress(ApexfixError):  # any other exception would be a bug and fails here
        calibration_for(folder, "e661", BOOT)
        concerns(read_document(folder / file_name("e661")), MAY_US, 20.0)


def test_the_unit_is_given_what_it_needs_and_no_raw_data():
    carried = carried_part(GOOD)
    assert {"id", "accel_offset_g", "accel_matrix", "tube_body", "sigma_elevation_deg"} <= set(carried)
    assert not {"recordings", "covariance", "format"} & set(carried)
    assert stated_sigmas(carried) == stated_sigmas(GOOD)


@pytest.mark.parametrize("serial", ["../../etc", "a/b", "C:\\x", "e661"])
def test_no_serial_leads_out_of_the_folder(serial):
    assert "/" not in file_name(serial)
    assert "\\" not in file_name(serial)
    assert ".." not in file_name(serial)
