"""The health of units: out of records that the test packed itself, into values, and into words."""

import json
import struct

import pytest

from apexfix.day import read_site
from apexfix.health import units_health
from apexfix.model import BootClock, DayResult
from apexfix.report.jsonout import day_json
from apexfix.report.rounding import Manner
from apexfix.report.unit_words import clock_words, unit_rows
from apexfix.units import DEG

CALIBRATION = {
    "id": "bench-7", "date_utc": "2025-01-13T07:00:00Z", "temperature_celsius": [20.0, 30.0], "accel_offset_g": [0, 0, 0],
    "accel_matrix": [[1, 0, 0], [0, 1, 0], [0, 0, 1]], "gyro_matrix": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    "tube_body": [1, 0, 0], "sigma_elevation_deg": 0.2,
}  # fmt: skip


def health(kit, celsius=2150, supply_mv=4900, free=1_000_000, lost=3):
    fields = (60_000_000, celsius, supply_mv, 0.0, 0.0, 0.0, 1, lost, free)  # docs/protocol.md, type 6
    return lambda sequence: kit.record(6, sequence, struct.pack("<qhHfffBII", *fields))


def told(day):
    return units_health(day.folder, read_site(day.folder / "site.toml"))


def test_a_day_without_an_archive_has_no_units(hand_day):
    assert told(hand_day) == ()


def test_a_unit_tells_its_station_calibration_temperature_supply_and_flash(hand_day, kit):
    records = (hand_day.boot("u01", calibration=CALIBRATION), hand_day.press(90), health(kit, 1980, 4812, 900_000, 7), health(kit))
    hand_day.unit("u01", records)
    (unit,) = told(hand_day)
    assert (unit.unit, unit.serial, unit.station, unit.imu, unit.firmware) == ("u01", "serial-u01", "A", "MPU-6050", "0.1.0")
    assert (unit.calibration, unit.calibrated_celsius) == ("bench-7", (20.0, 30.0))
    assert (unit.sigma_elevation_rad, unit.sigma_azimuth_rad) == (pytest.approx(0.2 * DEG), None)
    assert (unit.celsius, unit.supply_v, unit.free_bytes, unit.lost_samples) == ((19.8, 21.5), (4.812, 4.9), 900_000, 7)


def test_an_old_calibration_and_a_cold_day_are_told(hand_day, kit):
    hand_day.unit("u01", (hand_day.boot("u01", calibration=CALIBRATION), health(kit, celsius=1000)))
    (unit,) = told(hand_day)
    assert unit.calibration_age_days == pytest.approx(516)  # from 2025-01-13 to 2026-06-13, on the hour, by the calendar
    assert [concern.split(";")[0] for concern in unit.concerns] == [
        "the calibration is 516 days old",
        "the unit was at 10 °C, it was calibrated from 20 to 30 °C",
    ]


def test_the_age_of_a_calibration_is_that_since_its_last_check_in_table_and_worries_alike(hand_day):
    checked = CALIBRATION | {"checked_utc": "2026-06-03T07:00:00Z"}
    hand_day.unit("u01", (hand_day.boot("u01", calibration=checked),))
    (unit,) = told(hand_day)
    assert unit.calibration_age_days == pytest.approx(10)  # from 2026-06-03 to 2026-06-13
    assert unit.concerns == ()
    assert "10 days since it was made or last checked" in dict(unit_rows(unit))["Calibration"]


def test_a_calibration_in_the_folder_of_the_day_goes_before_the_one_that_was_carried(hand_day):
    hand_day.unit("u01", (hand_day.boot("u01", calibration=CALIBRATION),))
    own = CALIBRATION | {"format": 1, "id": "bench-8", "serial": "serial-u01"}
    (hand_day.folder / "calibration-serial-u01.json").write_text(json.dumps(own))
    assert told(hand_day)[0].calibration == "bench-8"


@pytest.mark.parametrize(
    ("changes", "concern"),
    [
        ({"date_utc": None}, "cannot be read"),
        ({"date_utc": "yesterday"}, "cannot be read"),
        ({"sigma_elevation_deg": -1}, "sigma_elevation_deg is -1"),
        ({"temperature_celsius": ["warm", 3]}, "cannot be read"),
    ],
)
def test_a_calibration_that_is_damaged_is_a_concern_and_no_crash(hand_day, changes, concern):
    hand_day.unit("u01", (hand_day.boot("u01", calibration=CALIBRATION | changes),))
    assert concern in " ".join(told(hand_day)[0].concerns)


@pytest.mark.parametrize("pair", [[float("nan"), 1], [0, 10**400], [True, 1], ["a", "b"], [1, 2, 3], 7])
def test_temperatures_that_cannot_be_are_left_out_of_the_json_and_the_words(hand_day, pair):
    hand_day.unit("u01", (hand_day.boot("u01", calibration=CALIBRATION | {"temperature_celsius": pair}),))
    units = told(hand_day)
    assert units[0].calibrated_celsius is None
    assert json.loads(day_json(DayResult(read_site(hand_day.folder / "site.toml"), (), units=units)))["units"]
    assert dict(unit_rows(units[0]))["Calibrated at"] == "not recorded"


def test_a_unit_without_a_calibration_or_with_a_failed_self_test_says_so(hand_day):
    failed = [["imu", "failed", "silent"], ["log", "ok", "3 MB free"], "junk", ["button", "bad"]]  # the last two are no lines of it
    hand_day.unit("u01", (hand_day.boot("u01", selftest=failed),))
    (unit,) = told(hand_day)
    assert unit.calibration is None
    assert any(concern.startswith("not calibrated") for concern in unit.concerns)
    assert [concern for concern in unit.concerns if "self-test" in concern] == ["self-test of boot 1: imu, failed, silent"]


def test_every_boot_tells_its_clock_and_one_that_was_never_compared_says_so(hand_day):
    hand_day.unit("u01", (hand_day.boot("u01", 1), hand_day.boot("u01", 2)), clocked=(1,))
    first, second = told(hand_day)[0].clocks
    assert (first.boot, first.exchanges, second.boot, second.exchanges) == (1, 1, 2, 0)
    assert first.zero_utc_us == pytest.approx(hand_day.utc_us, abs=1000)
    # one exchange of 1 ms: (1 ms / sqrt 12) with the 0.3 ms floor of USB frames; the drift is the sheet's 50 ppm
    assert first.sigma_zero_s == pytest.approx((0.001**2 / 12 + 0.0003**2) ** 0.5, rel=0.01)
    assert first.sigma_drift == pytest.approx(50e-6)
    assert second.zero_utc_us is None
    assert "never compared" in clock_words(second)


def test_the_words_of_a_clock_are_rounded_by_their_sigmas_in_the_hour_of_the_place():
    clock = BootClock(1, "9f3a", 16, 1_781_334_097_623_341, 0.00031, -10.62e-6, 0.25e-6)
    assert clock_words(clock, Manner(timezone="Europe/Berlin")) == (
        "16 exchanges; UTC gains -10.62 ± 0.25 ppm on it; its zero is 2026-06-13 09:01:37.623 CEST ± 0.3 ms"
    )


def test_what_was_not_recorded_is_told_as_such(hand_day):
    hand_day.unit("u01", (hand_day.boot("u01"),))
    words = dict(unit_rows(told(hand_day)[0]))
    assert (words["Supply"], words["Free flash, least"], words["Stated sigma of an azimuth"]) == (
        "not recorded", "not recorded", "not stated"
    )  # fmt: skip
