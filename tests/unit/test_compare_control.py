"""Control files: both kinds are read, nothing is lost, and what is wrong is named with its line and field."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.compare.control_file import read_control
from apexfix.errors import FileError


@pytest.fixture
def control(tmp_path):
    """A function that writes a control file and reads it."""

    def read(text):
        path = tmp_path / "control.csv"
        path.write_text(text, encoding="utf-8")
        return read_control(path)

    return read


def test_apogees_are_read_with_what_stands_beside_them(control):
    told = control("flight,apogee_m,sigma_m,temperature_celsius,humidity_percent,pressure_hpa,note\n3,101.5,0.4,21,40,980,gusty\n")
    apogee = told.apogees[0]
    assert (apogee.flight, apogee.apogee_m, apogee.sigma_m, apogee.note) == (3, 101.5, 0.4, "gusty")
    assert (apogee.temperature_k, apogee.humidity, apogee.pressure_pa) == pytest.approx((294.15, 0.4, 98_000.0))


def test_a_time_stands_for_a_flights_number(control):
    apogee = control("time_utc,apogee_m\n2026-05-01T10:20:30.5Z,99\n").apogees[0]
    assert (apogee.flight, apogee.utc_us) == (None, 1_777_630_830_500_000)


def test_a_log_in_hectopascal_and_one_in_pascal_are_the_same(control):
    one = control("time_s,pressure_pa\n0,98000\n0.1,97999\n").logs[0]
    other = control("time_s,pressure_hpa\n0,980.00\n0.1,979.99\n").logs[0]
    assert one.pressure_pa == pytest.approx(other.pressure_pa)
    assert one.time_s.tolist() == [0.0, 0.1]


def test_a_log_with_utc_counts_from_its_first_row(control):
    log = control("time_utc,altitude_m\n2026-05-01T10:20:30Z,0\n2026-05-01T10:20:30.25Z,1\n").logs[0]
    assert log.start_utc_us == 1_777_630_830_000_000
    assert log.time_s.tolist() == [0.0, 0.25]


def test_one_stamp_in_utc_places_a_log_in_seconds(control):
    log = control("time_s,time_utc,altitude_m\n5,,0\n7,2026-05-01T10:20:30Z,0\n").logs[0]
    assert log.start_utc_us == 1_777_630_823_000_000


def test_rows_without_a_measurement_are_counted_not_lost(control):
    log = control("time_s,pressure_pa,temperature_celsius\n0,98000,20\n1,,20\n2,98001,\n").logs[0]
    assert (log.time_s.tolist(), log.empty_rows) == ([0.0, 2.0], 1)
    assert np.isnan(log.temperature_k[1])


def test_a_flight_column_parts_the_logs_and_each_has_its_own_clock(control):
    logs = control("flight,time_s,altitude_m\n2,0,0\n2,1,5\n4,0,1\n4,1,9\n").logs
    assert [(log.flight, log.time_s.tolist()) for log in logs] == [(2, [0.0, 1.0]), (4, [0.0, 1.0])]


def test_a_second_measurement_is_passed_over_aloud(control):
    told = control("time_s,altitude_m,pressure_pa\n0,0,98000\n")
    assert told.logs[0].altitude_m is None
    assert "altitude_m is passed over" in told.remarks[0]


@pytest.mark.parametrize(
    ("text", "line", "field"),
    [
        ("apogee_m\n", 1, None),
        ("flight,apogee\n1,5\n", 1, "apogee"),
        ("flight,apogee_m\n1,12,5\n", 2, None),
        ("flight,apogee_m\n1,\n", 2, "apogee_m"),
        ("flight,apogee_m\n1,100\n2,4o\n", 3, "apogee_m"),
        ("flight;apogee_m\n1;100\n", 1, None),
        ("flight,apogee_m,sigma_m\n1,100,0\n", 2, "sigma_m"),
        ("flight,apogee_m,time_s\n1,100,0\n", 1, "time_s"),
        ("flight,apogee_m,temperature_celsius\n1,100,295\n", 2, "temperature_celsius"),
        ("time_s,temperature_celsius\n0,20\n", 1, None),
        ("pressure_pa\n98000\n", 1, None),
        ("time_s,pressure_pa\n0,980\n", 2, "pressure_pa"),
        ("time_s,pressure_pa\n,98000\n", 2, "time_s"),
        ("time_s,pressure_pa\n1,98000\n0,98000\n", 3, "time_s"),
        ("time_utc,pressure_pa\n2026-05-01T10:20:30Z,98000\n,98000\n", 3, "time_utc"),
        ("time_utc,pressure_pa\n2026-05-01 10:20:30,98000\n", 2, "time_utc"),
        ("time_s,pressure_pa\n0,\n", 2, "pressure_pa"),
        ("flight,time_s,altitude_m\n1,0,0\n2,0,0\n1,1,0\n", 4, "flight"),
    ],
)
def test_a_wrong_file_is_refused_with_its_line_and_field(control, text, line, field):
    with pytest.raises(FileError) as refused:
        control(text)
    assert (refused.value.line, refused.value.field) == (line, field)
    assert "expected" in str(refused.value) or "did you mean" in str(refused.value)


@given(st.text(alphabet='apogee_m,time_spr\n"#;0123456789.-eTZ:hlt', max_size=200))
def test_any_text_is_read_or_refused(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("fuzz") / "control.csv"
    path.write_text(text, encoding="utf-8")
    try:
        told = read_control(path)
    except FileError:
        return
    assert told.apogees or told.logs
