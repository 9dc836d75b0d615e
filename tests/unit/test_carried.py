"""What units recorded, as marks and directions: archives packed by hand, the angles from the geometry of the site."""

from math import cos, degrees, radians, sin

import numpy as np
import pytest
from click.testing import CliRunner

from apexfix.cli import main
from apexfix.errors import CalibrationError, ReductionError
from apexfix.sighted import directed

REFERENCE = 2


def quaternion(heading_deg, elevation_deg):
    """Yaw about up, then pitch about the body's left: half-angle formulas, w x y z. Identity looks along level x, heading 90."""
    yaw, pitch = radians(90 - heading_deg) / 2, radians(-elevation_deg) / 2
    w, z, c, y = cos(yaw), sin(yaw), cos(pitch), sin(pitch)
    return (w * c, -z * y, w * y, z * c)


def only(day):
    found = day.recorded()
    (mark,) = found.marks
    return directed(1, mark, found, clocked=mark.utc_us is not None)


def test_a_mark_carries_the_time_the_counter_and_a_name_that_stays(hand_day):
    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0, flight=7)])
    (mark,) = hand_day.recorded().marks
    assert (mark.name, mark.station, mark.counter, mark.sequence) == ("u01-u01l-2", "A", 7, 2)
    assert mark.utc_us == pytest.approx(hand_day.utc_us + 600_000_000, abs=1000)
    assert 0 < mark.sigma_s < 0.05  # 50 ppm for ten minutes is 0.03 s


def test_a_boot_that_never_met_a_host_has_no_time(hand_day):
    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0)], clocked=())
    (mark,) = hand_day.recorded().marks
    assert mark.utc_us is None


@pytest.mark.parametrize(("turn_deg", "elevation_deg"), [(0.0, 45.0), (12.0, 30.0), (-25.0, 70.0), (3.0, 97.0)])
def test_the_azimuth_is_that_of_the_reference_and_the_turn_since(hand_day, turn_deg, elevation_deg):
    # station A stands 100 m east of the pad, its reference: the pad lies at 270 degrees
    hand_day.unit("u01", [
        hand_day.boot("u01"),
        hand_day.press(590.0, kind=REFERENCE, quaternion=quaternion(33.0, 2.0)),
        hand_day.press(600.0, quaternion=quaternion(33.0 + turn_deg, elevation_deg)),
    ])  # fmt: skip
    sighting = only(hand_day).sighting
    assert np.degrees(sighting.azimuth_rad) == pytest.approx(270.0 + turn_deg, abs=1e-4)
    assert np.degrees(sighting.elevation_rad) == pytest.approx(elevation_deg, abs=1e-4)
    assert sighting.source == "unit u01, boot 1 of log u01log, record 3"


def test_without_a_backsight_the_elevation_alone_counts_and_the_remark_says_so(hand_day):
    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0, quaternion=quaternion(10.0, 50.0))])
    one = only(hand_day)
    assert (one.sighting.azimuth_rad, one.track) == (None, None)
    assert np.degrees(one.sighting.elevation_rad) == pytest.approx(50.0, abs=1e-4)
    assert "no backsight since the heading began" in one.remarks[0]


def test_backsights_that_disagree_are_told(hand_day):
    hand_day.unit("u01", [
        hand_day.boot("u01"),
        hand_day.press(590.0, kind=REFERENCE, quaternion=quaternion(33.0, 0.0)),
        hand_day.press(600.0, quaternion=quaternion(33.0, 40.0)),
        hand_day.press(610.0, kind=REFERENCE, quaternion=quaternion(40.0, 0.0)),
    ])  # fmt: skip
    assert "disagree by 7.0°" in only(hand_day).remarks[0]


CALIBRATED = {"id": "good", "accel_offset_g": [0.01, 0.0, 0.0], "gyro_matrix": [[1.01, 0, 0], [0, 1, 0], [0, 0, 1]]}


def pushed_day(day, imu, push_deg, seconds=170.0):
    """Both units sight the apex over the pad between two backsights; A's stand was pushed by an angle in between."""
    for unit, push in (("u01", push_deg), ("u02", 0.0)):
        day.unit(unit, [
            day.boot(unit, calibration=CALIBRATED, imu=imu),
            day.press(590.0, kind=REFERENCE, quaternion=quaternion(33.0, 0.0), still_us=580_000_000),
            day.press(600.0, quaternion=quaternion(33.0, 40.0), still_us=580_000_000),
            day.press(590.0 + seconds, kind=REFERENCE, quaternion=quaternion(33.0 + push, 0.0), still_us=580_000_000),
        ])  # fmt: skip


@pytest.mark.parametrize("imu", ["MPU-6050", "LSM6DSOX"])
@pytest.mark.parametrize(("push_deg", "told"), [(3.0, True), (0.5, False)])
def test_a_stand_that_was_pushed_between_the_backsights_is_told_by_the_whole_reduction(hand_day, imu, push_deg, told):
    pushed_day(hand_day, imu, push_deg)
    done = CliRunner().invoke(main, ["reduce", str(hand_day.folder)])
    assert done.exit_code == 0, done.output
    sentence = f"station A: the backsights before and after the mark disagree by {push_deg:.1f}°"
    assert (sentence in " ".join(done.output.split())) == told
    assert "station B: the backsights" not in done.output


def test_a_unit_that_never_rested_gives_an_elevation_alone(hand_day):
    hand_day.unit("u01", [
        hand_day.boot("u01"),
        hand_day.press(590.0, kind=REFERENCE, quaternion=quaternion(33.0, 0.0), still_us=-1),
        hand_day.press(600.0, quaternion=quaternion(33.0, 40.0), still_us=-1),
    ])  # fmt: skip
    one = only(hand_day)
    assert one.sighting.azimuth_rad is None
    assert "rest the unit for ten seconds" in one.remarks[0]


def test_a_still_window_is_a_track_that_stays_on_the_mark(hand_day, kit):
    still = b"".join(int(t).to_bytes(4, "little", signed=True) + bytes(12) for t in (-20_000, -10_000, 0, 10_000))

    def window(sequence):
        head = (3).to_bytes(4, "little") + bytes([0, 0, 4, 0, 4, 0]) + (-32768).to_bytes(2, "little", signed=True)
        return kit.record(3, sequence, head + still)

    hand_day.unit("u01", [
        hand_day.boot("u01"),
        hand_day.press(590.0, kind=REFERENCE, quaternion=quaternion(33.0, 0.0)),
        hand_day.press(600.0, quaternion=quaternion(43.0, 40.0)),
        window,
    ])  # fmt: skip
    track = only(hand_day).track
    assert np.degrees(track.azimuth_rad) == pytest.approx([280.0] * 4, abs=1e-3)
    assert np.degrees(track.elevation_rad) == pytest.approx([40.0] * 4, abs=1e-3)
    assert (track.utc_us - track.mark_utc_us).tolist() == [-20_000, -10_000, 0, 10_000]


def test_a_press_of_a_unit_whose_sensor_was_silent_gives_no_direction_and_is_told(hand_day):
    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0, quaternion=(0.0, 0.0, 0.0, 0.0))])
    found = hand_day.recorded()
    assert found.marks == ()
    assert "1 presses give no direction" in found.remarks[0]


def test_a_unit_without_a_station_is_named_and_nothing_is_lost(hand_day):
    hand_day.unit("u09", [hand_day.boot("u09"), hand_day.press(600.0)])
    found = hand_day.recorded()
    assert found.marks == ()
    assert 'add unit = "u09" in site.toml' in found.remarks[0]
    assert "1 presses give no direction: their unit has no station" in found.remarks[1]


def test_two_units_that_claim_one_station_are_refused(hand_day):
    hand_day.unit("u01", [hand_day.boot("u01"), hand_day.press(600.0)])
    hand_day.unit("twin", [hand_day.boot("twin", unit="u01"), hand_day.press(600.0)])
    with pytest.raises(ReductionError, match="two units answer to 'u01'"):
        hand_day.recorded()


def test_a_calibration_that_cannot_be_names_unit_and_boot(hand_day):
    hand_day.unit("u01", [hand_day.boot("u01", calibration=[1, 2]), hand_day.press(600.0)])
    with pytest.raises(CalibrationError, match="unit u01, boot 1"):
        hand_day.recorded()


@pytest.mark.parametrize("name", ["../../x", "=HYPERLINK(1)", "<b>u</b>", "a\x1b[31mb", "-rf"])
def test_whatever_a_unit_calls_itself_the_name_of_a_mark_is_plain(hand_day, name):
    site = hand_day.folder / "site.toml"
    site.write_text(site.read_text().replace('unit = "u01"', 'unit = "serial-u01"'))
    hand_day.unit("u01", [hand_day.boot("u01", unit=name), hand_day.press(600.0)])
    (mark,) = hand_day.recorded().marks
    assert set(mark.name) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
    assert mark.name[0] not in "-="


@pytest.mark.parametrize("levelled_boot", [1, 2])
def test_a_unit_that_was_calibrated_at_one_boot_only_is_remarked_with_the_zero_of_its_station(hand_day, levelled_boot):
    levelled = {"id": "x", "date_utc": "2026-06-01T07:00:00Z", "accel_offset_g": [0.01, 0, 0], "sigma_elevation_zero_deg": 0.05}
    records = []
    for boot in (1, 2):
        records.append(hand_day.boot("u01", boot, calibration=levelled if boot == levelled_boot else None))
        records.append(hand_day.press(600.0 * boot, boot=boot))
    hand_day.unit("u01", records, clocked=(1, 2))
    found = hand_day.recorded()
    zero_deg = degrees(found.site.station("A").sigma_elevation_zero_rad)
    assert zero_deg > 0.3
    (remark,) = [remark for remark in found.remarks if "not calibrated well" in remark]
    assert f"{zero_deg:.1f}°" in remark
