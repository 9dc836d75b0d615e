"""The simulated altimeter: its air weighs what air weighs, and its file is one that the host reads."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.compare.control_file import read_control
from apexfix.sim.altimeter import Altimeter, Weather, air_pressure, control_csv, log_flight
from apexfix.sim.meadow import draw_rocket
from apexfix.sim.truth import Launch, Wind, fly

STANDARD = Weather(15.0, 101_325.0, 0.0)
EXACT = Altimeter(noise_pa=0.0, surge_pa=0.0, resolution_pa=0.01)
LIFT_OFF_US = 1_777_630_800_000_000


@pytest.fixture(scope="module")
def flown():
    rocket = draw_rocket(np.random.default_rng(1), 4.0)
    return rocket, fly(rocket, Launch(0.05, 1.0), Wind(2.0))


def test_a_metre_of_standard_air_weighs_twelve_pascal():
    # 1.225 kg/m3 (ISO 2533:1975) times 9.80665 m/s2
    assert 101_325 - air_pressure(STANDARD, np.array([1.0]))[0] == pytest.approx(1.225 * 9.80665, rel=1e-3)


def test_warm_and_moist_air_is_lighter():
    falls = [101_325 - air_pressure(air, np.array([200.0]))[0] for air in (STANDARD, replace(STANDARD, temperature_c=30.0),
             Weather(30.0, 101_325.0, 0.9))]  # fmt: skip
    assert falls[0] > falls[1] > falls[2]


def test_without_noise_the_log_is_the_air_along_the_flight(flown):
    rocket, flight = flown
    log = log_flight(np.random.default_rng(2), EXACT, STANDARD, flight, rocket.ejection_s)
    true = air_pressure(STANDARD, flight.position_m(log.time_s - 0.05)[:, 2])
    assert log.pressure_pa == pytest.approx(true, abs=0.01)
    assert log.time_s[0] < -14
    assert log.time_s[-1] > flight.landing_s + 9


def test_the_ejection_presses_on_the_sensor_for_a_moment(flown):
    rocket, flight = flown
    surged = log_flight(np.random.default_rng(2), replace(EXACT, surge_pa=400.0), STANDARD, flight, rocket.ejection_s)
    plain = log_flight(np.random.default_rng(2), EXACT, STANDARD, flight, rocket.ejection_s)
    pressed = surged.time_s[surged.pressure_pa - plain.pressure_pa > 399]
    assert rocket.ejection_s <= pressed[0]
    assert pressed[-1] <= rocket.ejection_s + 0.15


def test_the_file_of_a_day_is_read_and_its_clock_is_behind_by_what_was_said(tmp_path, flown):
    _, flight = flown
    flights = [(flight, LIFT_OFF_US), (flight, LIFT_OFF_US + 300_000_000)]
    path = tmp_path / "altimeter.csv"
    path.write_text(control_csv(np.random.default_rng(3), EXACT, STANDARD, flights, slow_s=6.0))
    (log,) = read_control(path).logs
    assert log.start_utc_us == pytest.approx(LIFT_OFF_US - 21_000_000, abs=60_000)  # 15 s before, 6 s behind, a sample at most
    assert log.pressure_pa.min() == pytest.approx(air_pressure(STANDARD, flight.apex_m[2:])[0], abs=1.0)
