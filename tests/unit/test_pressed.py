"""Which calibration reads a day's samples: records packed by hand, calibration files beside them."""

import json
import struct

import numpy as np
import pytest

from apexfix.calibrate.tolerance import SIGMA_ZERO_RAD
from apexfix.errors import CalibrationError, FileError
from apexfix.heading import heading_zero
from apexfix.sighted import SIGMA_BACKSIGHT_RAD, SIGMA_POINTING_RAD, directed
from apexfix.units import DEG

REFERENCE = 2
LEAN = (0.9659258, 0.0, -0.2588190, 0.0)  # pitched up by 30 degrees: half-angle of the body's left axis
UP_30 = (8192, 0, 14189)  # what 16384 counts for one g show there: sine and cosine
AS_MADE_RAD = 2.4 * DEG  # rms over 0 to 85 degrees of simulated MPU-6050: 2.46 (bench/calibration.py)
OFF = {"id": "better", "accel_offset_g": [0.02, 0.0, 0.0]}


@pytest.fixture
def still(kit):
    """A window of one second at rest, straight after the press of the record before."""

    def build(accel=UP_30, gyro=(0, 0, 0)):
        def packed(sequence):
            samples = b"".join(struct.pack("<i6h", 10_000 * i - 500_000, *accel, *gyro) for i in range(100))
            return kit.record(3, sequence, struct.pack("<IHHBBh", sequence - 1, 0, 100, 100, 0, 2150) + samples)

        return packed

    return build


def test_a_mark_that_an_erase_made_late_is_unsure_of_its_time(hand_day, kit):
    """After a gap of 300 ms in its samples; without it the clock alone makes 0.03 s."""

    def packed(sequence):
        t_us = [*range(-500_000, -299_000, 10_000), *range(10_000, 200_000, 10_000)]
        samples = b"".join(struct.pack("<i6h", at_us, *UP_30, 0, 0, 0) for at_us in t_us)
        return kit.record(3, sequence, struct.pack("<IHHBBh", sequence - 1, 0, 40, 40, 0, 2150) + samples)

    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0, quaternion=LEAN), packed])
    found, directed_there = only(hand_day)
    assert directed_there.sighting.sigma_time_s == found.marks[0].sigma_s == pytest.approx(0.3 / 3**0.5, rel=0.05)


def calibration_file(day, name="u01", **fields):
    text = json.dumps({"format": 1, "serial": f"serial-{name}", "imu": None, "date_utc": "2026-06-01T00:00:00+00:00",
                       "temperature_celsius": [20, 24]} | OFF | fields)  # fmt: skip
    path = day.folder / "calibration-serial-u01.json"
    path.write_text(text)
    return path


def only(day):
    found = day.recorded()
    (mark,) = found.marks
    return found, directed(1, mark, found, clocked=True)


def zero_sigma_rad(found, sigma_backsight_rad):
    (pressed,) = found.presses.values()
    return heading_zero(found.backsights[pressed.run], 0.0, pressed.look, sigma_backsight_rad, pressed.in_force.carrying).sigma_rad


def one_mark(day, still, **boot):
    day.unit("u01", [
        day.boot("u01", **boot),
        day.press(590.0, kind=REFERENCE),
        day.press(600.0, quaternion=LEAN),
        still(),
    ])  # fmt: skip


def elevation_deg(day):
    return np.degrees(only(day)[1].sighting.elevation_rad)


def test_the_samples_tell_the_elevation_and_agree_with_the_unit(hand_day, still):
    one_mark(hand_day, still)
    assert elevation_deg(hand_day) == pytest.approx(30.0, abs=0.01)
    assert only(hand_day)[1].remarks == ()


def test_a_calibration_in_the_folder_goes_before_what_the_unit_carried(hand_day, still):
    one_mark(hand_day, still, calibration={"id": "carried", "accel_offset_g": [0.1, 0.0, 0.0]})
    carried = elevation_deg(hand_day)
    calibration_file(hand_day)
    # by hand: the x axis shows 0.5 g less its offset, the z axis cos 30 degrees
    assert carried == pytest.approx(np.degrees(np.arctan2(0.4, np.cos(30 * DEG))), abs=0.01)
    assert elevation_deg(hand_day) == pytest.approx(np.degrees(np.arctan2(0.48, np.cos(30 * DEG))), abs=0.01)


def test_the_still_offset_is_read_with_the_matrix_that_the_unit_used_and_the_one_in_force(hand_day, kit, still):
    # the unit's matrix doubled its rates, so its logged offset of 0.02 rad/s was 0.01 by the better one; 37.5 counts are 0.01 rad/s
    twice, once = (np.diag([k, k, k]).tolist() for k in (2.0, 1.0 + 1e-9))
    fields = (1, 1, 1, 600_000_000, 1, *LEAN, 0.0, 0.0, 0.02, -1, 2150, 1)
    hand_day.unit("u01", [
        hand_day.boot("u01", calibration={"gyro_matrix": twice}),
        hand_day.press(590.0, kind=REFERENCE),
        lambda sequence: kit.record(2, sequence, struct.pack("<BBHqIfffffffqhH", *fields)),
        still(gyro=(0, 0, round(0.01 / DEG * 65.5))),
    ])  # fmt: skip
    calibration_file(hand_day, accel_offset_g=[0.0, 0.0, 0.0], gyro_matrix=once)
    track = only(hand_day)[1].track
    assert np.ptp(np.unwrap(track.azimuth_rad)) / DEG < 0.02  # 0.6 degrees in a second if the offset stood doubled


def test_the_calibration_of_another_unit_is_refused_by_the_name_of_its_file(hand_day, still):
    one_mark(hand_day, still)
    path = calibration_file(hand_day, name="u77")
    with pytest.raises(CalibrationError, match=r"serial 'serial-u77', this unit is 'serial-u01'") as refused:
        hand_day.recorded()
    assert str(path) in str(refused.value)


def test_the_calibration_of_a_sensor_that_is_no_longer_there_is_refused(hand_day, still):
    one_mark(hand_day, still, imu="LSM6DSOX")
    path = calibration_file(hand_day, imu="MPU-6050")
    with pytest.raises(CalibrationError, match=f"{path}.*is of a MPU-6050, the unit now has a LSM6DSOX"):
        hand_day.recorded()


def test_a_file_whose_fields_cannot_be_is_named(hand_day, still):
    one_mark(hand_day, still)
    path = calibration_file(hand_day, tube_body=[2, 0, 0])
    with pytest.raises(CalibrationError, match=f"{path}: tube_body"):
        hand_day.recorded()


def test_a_file_that_is_no_calibration_is_refused(hand_day, still):
    one_mark(hand_day, still)
    calibration_file(hand_day).write_text("{")
    with pytest.raises(FileError, match=r"calibration-serial-u01\.json, line 1"):
        hand_day.recorded()


@pytest.mark.parametrize(("date", "used"), [("2025-07-01", True), ("2023-07-01", False), ("2029-07-01", False), ("soon", False)])
def test_a_calibration_counts_within_two_years_of_the_day(hand_day, still, date, used):
    one_mark(hand_day, still, calibration=OFF | {"date_utc": f"{date}T00:00:00Z"})
    found, _ = only(hand_day)
    (pressed,) = found.presses.values()
    assert (pressed.in_force.calibration.id == "better") == used
    assert used != any("unit u01 counts as not calibrated: the calibration" in remark for remark in found.remarks)


def test_a_stale_calibration_in_the_folder_is_not_used_either(hand_day, still):
    one_mark(hand_day, still)
    calibration_file(hand_day, date_utc="2023-07-01T00:00:00Z")
    found, _ = only(hand_day)
    (pressed,) = found.presses.values()
    assert pressed.in_force.calibration.id == "nominal"
    assert any("check it against known heights" in remark for remark in found.remarks)


def test_a_unit_that_carried_another_one_s_calibration_counts_as_not_calibrated(hand_day, still):
    one_mark(hand_day, still, calibration=OFF | {"serial": "serial-u77"})
    found, one = only(hand_day)
    assert np.degrees(one.sighting.elevation_rad) == pytest.approx(30.0, abs=0.01)
    assert found.site.station("A").sigma_elevation_zero_rad == AS_MADE_RAD
    assert any("counts as not calibrated: the calibration is of serial 'serial-u77'" in remark for remark in found.remarks)


def test_a_file_helps_where_the_unit_carried_what_cannot_be(hand_day, still):
    one_mark(hand_day, still, calibration=[1, 2])
    calibration_file(hand_day, accel_offset_g=[0.0, 0.0, 0.0])
    assert elevation_deg(hand_day) == pytest.approx(30.0, abs=0.01)


def test_a_field_test_and_the_covariance_of_the_calibration_set_the_sigmas(hand_day, still):
    one_mark(hand_day, still)
    before = only(hand_day)
    calibration_file(hand_day, sigma_elevation_deg=0.11, sigma_azimuth_deg=0.13, sigma_elevation_zero_deg=0.04)
    found, one = only(hand_day)
    assert before[1].sighting.sigma_elevation_rad == pytest.approx(np.hypot(SIGMA_POINTING_RAD, 0.3 * AS_MADE_RAD))
    assert before[0].site.station("A").sigma_elevation_zero_rad == AS_MADE_RAD
    assert one.sighting.sigma_elevation_rad / DEG == pytest.approx(np.hypot(0.11, 0.3 * 0.04))
    assert found.site.station("A").sigma_elevation_zero_rad / DEG == pytest.approx(0.04)
    # one backsight 10 s ago: its zero, and the hand's across the line of sight
    expected = np.hypot(zero_sigma_rad(found, 0.13 * DEG) / DEG, 0.13 / np.cos(one.sighting.elevation_rad))
    assert one.sighting.sigma_azimuth_rad / DEG == pytest.approx(expected, rel=1e-3)


def test_a_file_in_the_folder_does_not_make_better_how_the_unit_turned_its_heading(hand_day, still):
    # the mark's own samples are read with the file; from the backsight to the mark the unit turned by what it carried: nothing
    one_mark(hand_day, still)
    (bare,) = only(hand_day)[0].presses.values()
    calibration_file(hand_day, sigma_elevation_zero_deg=0.04, gyro_matrix=np.diag([1.01, 1.0, 1.0]).tolist())
    found, one = only(hand_day)
    (pressed,) = found.presses.values()
    assert pressed.in_force.carrying.scale == bare.in_force.tolerance.scale > 5 * pressed.in_force.tolerance.scale
    assert pressed.in_force.carrying.zero_rad == pytest.approx(0.04 * DEG)
    assert one.track.sigma_azimuth_zero_rad == pytest.approx(zero_sigma_rad(found, SIGMA_BACKSIGHT_RAD))


def test_without_a_field_test_common_practice_stands(hand_day, still):
    one_mark(hand_day, still)
    calibration_file(hand_day)
    found, one = only(hand_day)
    assert found.site.station("A").sigma_elevation_zero_rad == SIGMA_ZERO_RAD
    across = SIGMA_POINTING_RAD / np.cos(one.sighting.elevation_rad)
    expected = np.hypot(zero_sigma_rad(found, SIGMA_BACKSIGHT_RAD), across)
    assert one.sighting.sigma_azimuth_rad == pytest.approx(expected, rel=1e-3)


def test_site_toml_goes_before_every_calibration(hand_day, still):
    one_mark(hand_day, still)
    calibration_file(hand_day, sigma_elevation_deg=0.11, sigma_azimuth_deg=0.13, sigma_elevation_zero_deg=0.04)
    site = hand_day.folder / "site.toml"
    own = 'unit = "u01"\nsigma_elevation_deg = 0.5\nsigma_azimuth_deg = 0.7\nsigma_elevation_zero_deg = 0.2'
    site.write_text(site.read_text().replace('unit = "u01"', own))
    found, one = only(hand_day)
    assert (one.sighting.sigma_elevation_rad / DEG, one.sighting.sigma_azimuth_rad / DEG) == pytest.approx((0.5, 0.7))
    assert found.site.station("A").sigma_elevation_zero_rad / DEG == pytest.approx(0.2)


def test_a_unit_whose_filter_says_something_else_than_its_samples_is_told_of(hand_day, still):
    hand_day.unit("u01", [
        hand_day.boot("u01"),
        hand_day.press(590.0, kind=REFERENCE),
        hand_day.press(600.0, quaternion=(0.9848078, 0.0, -0.1736482, 0.0)),  # 20 degrees
        still(),
    ])  # fmt: skip
    (remark,) = only(hand_day)[1].remarks
    assert "20.0° by the unit's own filter, 30.0° from its samples" in remark


def test_under_another_calibration_than_its_own_the_filter_is_not_held_against_the_samples(hand_day, still):
    one_mark(hand_day, still, calibration={"id": "carried", "accel_offset_g": [0.2, 0.0, 0.0]})
    calibration_file(hand_day)
    assert only(hand_day)[1].remarks == ()


def test_a_mark_without_samples_tells_that_the_better_calibration_cannot_help(hand_day):
    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(590.0, kind=REFERENCE), hand_day.press(600.0, quaternion=LEAN)])
    calibration_file(hand_day)
    assert "no samples tell the elevation" in only(hand_day)[1].remarks[0]


def test_samples_that_begin_long_after_the_press_are_not_its_samples(hand_day, kit):
    def late(sequence):
        samples = b"".join(struct.pack("<i6h", 400_000 + 10_000 * i, *UP_30, 0, 0, 0) for i in range(50))
        return kit.record(3, sequence, struct.pack("<IHHBBh", sequence - 1, 0, 50, 50, 0, 2150) + samples)

    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(590.0, kind=REFERENCE), hand_day.press(600.0), late])
    _, one = only(hand_day)
    assert one.track is None
    assert one.sighting.elevation_rad == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("imu", "zero_deg"), [("MPU-6050", "2.4"), ("LSM6DSOX", "1.3")])
def test_a_unit_that_nobody_calibrated_is_told_of_with_what_its_part_allows(hand_day, still, imu, zero_deg):
    one_mark(hand_day, still, imu=imu)
    found, _ = only(hand_day)
    assert [r for r in found.remarks if "not calibrated well" in r and f"may be {zero_deg}° off" in r]
    assert found.site.station("A").sigma_elevation_zero_rad / DEG == pytest.approx(float(zero_deg))


def test_a_unit_of_six_faces_is_told_of_and_a_well_calibrated_one_is_not(hand_day, still):
    one_mark(hand_day, still)
    calibration_file(hand_day, sigma_elevation_zero_deg=0.68)
    assert any("may be 0.7° off" in remark for remark in only(hand_day)[0].remarks)
    calibration_file(hand_day, sigma_elevation_zero_deg=0.05)
    assert not any("not calibrated well" in remark for remark in only(hand_day)[0].remarks)


def test_a_boot_without_a_calibration_leaves_the_whole_station_s_zero_open(hand_day, still):
    hand_day.unit("u01", [
        hand_day.boot("u01", boot=1),
        hand_day.press(600.0, quaternion=LEAN),
        still(),
        hand_day.boot("u01", boot=2, calibration=OFF),
        hand_day.press(700.0, quaternion=LEAN, boot=2),
        still(),
    ], clocked=(1, 2))  # fmt: skip
    assert hand_day.recorded().site.station("A").sigma_elevation_zero_rad == AS_MADE_RAD


def test_what_a_calibration_states_of_the_gyroscope_s_scale_goes_into_the_tolerance(hand_day, still):
    one_mark(hand_day, still)
    turned = [[1.01, 0, 0], [0, 1, 0], [0, 0, 1]]
    plain, stated = ({"gyro_matrix": turned}, {"gyro_matrix": turned, "gyro_covariance": np.diag([4e-6] * 9).tolist()})
    scales = []
    for fields in (plain, stated):
        calibration_file(hand_day, **fields)
        ((_, pressed),) = only(hand_day)[0].presses.items()
        scales.append(pressed.in_force.tolerance.scale)
    assert scales == pytest.approx([0.001, 0.002])


@pytest.mark.parametrize("covariance", [[1, 2], "x", np.diag([-1.0] * 9).tolist(), [[float("nan")] * 9] * 9])
def test_a_covariance_of_the_gyroscope_that_is_none_names_its_file(hand_day, still, covariance):
    one_mark(hand_day, still)
    path = calibration_file(hand_day, gyro_covariance=covariance)
    with pytest.raises((CalibrationError, FileError), match=path.name):
        hand_day.recorded()


@pytest.mark.parametrize(("accel", "elevation_deg"), [(UP_30, 30.0), ((0, 0, 0), 20.0)])
def test_a_reference_press_is_upright_by_samples_that_know_up_and_keeps_its_heading(hand_day, still, accel, elevation_deg):
    hand_day.unit("u01", [
        hand_day.boot("u01"),
        hand_day.press(590.0, kind=REFERENCE, quaternion=(0.9848078, 0.0, -0.1736482, 0.0)),  # 20 degrees, along level x
        still(accel=accel),
        hand_day.press(600.0, quaternion=LEAN),
    ])  # fmt: skip
    ((look,),) = hand_day.recorded().backsights.values()
    assert (look.elevation_rad / DEG, look.heading_rad / DEG) == pytest.approx((elevation_deg, 90.0), abs=0.01)
