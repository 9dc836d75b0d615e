"""Flights in the log of an altimeter: found, cleaned of surges, and their apexes located, each against a truth made by hand."""

from pathlib import Path

import numpy as np
import pytest

from apexfix.compare.altimeter import INSTRUMENT, SENSOR, STATED, Reading, control_flights
from apexfix.compare.apex import flight_trace
from apexfix.compare.barometer import Pad, Weather
from apexfix.compare.climbs import climbs, quiet_pad, spikes
from apexfix.compare.control_file import Apogee, Control, Log
from apexfix.errors import ReductionError

G = 9.80665
PLAIN = Reading(Weather(288.15, 0.0, 0.5, 101_325.0), Pad(), corrected=False)


def flight(apex_m=120.0, rate_hz=20.0, pad_s=20.0, opens_s=1.0, seed=1, noise_m=0.2, after_s=15.0):
    """Return times and heights of a throw straight up, with a canopy of 4 m/s that opens after the apex, and when that is."""
    draw = np.random.default_rng(seed)
    up_s = np.sqrt(2 * apex_m / G)
    opens = up_s + opens_s
    low = apex_m - G / 2 * opens_s**2
    time = np.arange(0, pad_s + opens + low / 4 + after_s, 1 / rate_hz) + draw.uniform(0, 1 / rate_hz)
    flown = time - pad_s
    height = np.where(flown < 0, 0.0, apex_m - G / 2 * (flown - up_s) ** 2)
    height = np.where(flown > opens, np.maximum(low - 4 * (flown - opens), 0.0), height)
    return time, height + draw.normal(0, noise_m, time.size), pad_s + up_s


def traced(time, height):
    found = climbs(time, height)
    assert len(found) == 1
    quiet = quiet_pad(height[found[0].quiet])
    return flight_trace(time, height, found[0], quiet)


@pytest.mark.parametrize("rate_hz", [5.0, 20.0, 100.0])
def test_the_apex_is_found_in_height_and_time(rate_hz):
    time, height, apex_s = flight(rate_hz=rate_hz)
    top = traced(time, height).top
    assert top.height_m == pytest.approx(120.0, abs=0.5)
    assert top.time_s == pytest.approx(apex_s, abs=0.1)


def test_the_level_of_the_pad_is_taken_off():
    time, height, _ = flight()
    assert traced(time, height + 431.0).top.height_m == pytest.approx(traced(time, height).top.height_m, abs=1e-6)


def test_the_noise_of_the_sensor_comes_from_the_quiet_pad():
    time, height, _ = flight(noise_m=0.4, rate_hz=50)
    assert traced(time, height).quiet.noise_m == pytest.approx(0.4, rel=0.15)  # 480 samples; a MAD of normals knows 4 %


def test_noise_that_is_common_to_neighbours_makes_the_apex_less_sure():
    draw = np.random.default_rng(3)
    white = draw.normal(0, 1, 400)
    slow = np.convolve(white, np.ones(5) / 5, mode="same")
    assert quiet_pad(slow).correlation > 0.6
    assert quiet_pad(white).correlation < 0.2


def test_a_display_in_whole_metres_is_never_sure_beyond_its_steps():
    quiet = quiet_pad(np.array([3.0] * 40 + [4.0] * 2))
    assert quiet.noise_m >= 1 / np.sqrt(12)
    assert quiet.sigma_level_m >= 1 / np.sqrt(12)


@pytest.mark.parametrize("surge_m", [-60.0, -15.0, 25.0])
@pytest.mark.parametrize("opens_s", [0.0, 0.2, 1.5])
def test_a_surge_at_the_ejection_is_masked_and_moves_nothing(surge_m, opens_s):
    time, height, apex_s = flight(opens_s=opens_s)
    during = (time > apex_s + opens_s) & (time < apex_s + opens_s + 0.25)
    surged = traced(time, height + surge_m * during)
    masked = set(surged.time_s[surged.spike].tolist())
    assert set(time[during].tolist()) <= masked
    assert len(masked) <= 2 * during.sum()
    assert surged.top.height_m == pytest.approx(120.0, abs=0.6)


@pytest.mark.parametrize("opens_s", [-0.4, 0.1, 0.6, 1.1])
def test_a_surge_in_a_log_of_one_sample_a_second_takes_no_other_sample_with_it(opens_s):
    # the samples beside the surge are those next to the apex: the highest of all must not be lost with it
    time, height, apex_s = flight(rate_hz=1.0, noise_m=0.05, opens_s=max(opens_s, 0.0))
    surged = int(np.argmin(np.abs(time - apex_s - opens_s)))
    height[surged] -= 35.0
    trace = traced(time, height)
    assert trace.time_s[trace.spike].tolist() == [time[surged]]
    # two seconds without a sample: free fall of at most one second on either side
    assert trace.top.height_m == pytest.approx(120.0, abs=G / 2)


@pytest.mark.parametrize("seed", range(5))
def test_a_flight_without_a_surge_keeps_every_sample(seed):
    time, height, _ = flight(seed=seed, opens_s=0.1)
    assert not spikes(time, height, 0.2).any()


def test_a_device_that_opens_at_the_apex_makes_a_corner_and_no_bias():
    errors = [traced(*flight(opens_s=0.0, seed=seed)[:2]).top.height_m - 120.0 for seed in range(20)]
    assert abs(np.mean(errors)) < 0.15


def test_slow_sampling_misses_the_apex_by_no_more_than_the_bound():
    # one sample a second: free fall of at most half a second on either side, 9.81 / 8 m
    time, height, _ = flight(rate_hz=1.0, noise_m=0.02)
    top = traced(time, height).top
    assert top.loss_bound_m == pytest.approx(G / 8, rel=1e-6)
    assert top.height_m == pytest.approx(120.0, abs=G / 8)


def test_a_lost_second_at_the_apex_is_told_by_the_bound():
    time, height, apex_s = flight()
    kept = np.abs(time - apex_s) > 0.5
    whole, holed = traced(time, height).top, traced(time[kept], height[kept]).top
    assert whole.loss_bound_m < 0.01 < 0.5 < holed.loss_bound_m
    assert holed.height_m == pytest.approx(120.0, abs=0.6)


def test_several_flights_in_one_log_are_separated_by_their_launches():
    first, second = flight(apex_m=80.0), flight(apex_m=150.0, seed=2)
    time = np.concatenate([first[0], second[0] + first[0][-1] + 60])
    height = np.concatenate([first[1], second[1]])
    found = climbs(time, height)
    assert len(found) == 2
    tops = [flight_trace(time, height, climb, quiet_pad(height[climb.quiet])).top.height_m for climb in found]
    assert tops == pytest.approx([80.0, 150.0], abs=0.6)
    assert all(climb.landed for climb in found)


def test_a_walk_uphill_is_no_flight():
    time = np.arange(0, 300, 0.1)
    assert climbs(time, 0.5 * time) == ()


def test_a_log_that_ends_in_the_air_says_so():
    time, height, apex_s = flight()
    up = time < apex_s + 5
    (climb,) = climbs(time[up], height[up])
    assert not climb.landed


@pytest.mark.parametrize("time", [np.zeros(0), np.zeros(5), np.arange(2.0)])
def test_next_to_no_samples_hold_no_flight(time):
    assert climbs(time, np.zeros(time.size)) == ()


# --- heights of a control file --------------------------------------------------------------------------------------


def log_of(time, height, **more):
    values = {
        "line": 2, "flight": None, "start_utc_us": None, "time_s": time, "pressure_pa": None, "altitude_m": height,
        "temperature_k": np.full(time.size, np.nan), "humidity": None, "empty_rows": 0,
    }  # fmt: skip
    return Log(**values | more)


def apogee_of(**more):
    values = {
        "line": 2, "flight": 1, "utc_us": None, "apogee_m": 100.0, "sigma_m": None, "temperature_k": None, "humidity": None,
        "pressure_pa": None, "note": "",
    }  # fmt: skip
    return Apogee(**values | more)


def flights_of(*, apogees=(), logs=(), reading=PLAIN):
    return control_flights(Control(tuple(apogees), tuple(logs), ()), reading, Path("control.csv"))


def test_ten_degrees_make_a_thirtieth_of_the_height():
    cold, warm = flights_of(apogees=[apogee_of(temperature_k=283.15), apogee_of(temperature_k=293.15)])
    # and the vapour 5.6 hPa more (steam tables, half of saturation): 0.378 of its share
    assert warm.height_m / cold.height_m == pytest.approx(293.15 / 283.15 * (1 + 0.378 * 5.6 / 1013.25), rel=3e-4)


def test_what_nobody_measured_widens_the_uncertainty():
    (known,) = flights_of(apogees=[apogee_of()])
    (unknown,) = flights_of(apogees=[apogee_of()], reading=Reading(Weather(), Pad(), corrected=False))
    assert unknown.common_m["air temperature"] > 3.0 > known.common_m["air temperature"]
    assert unknown.common_m["pressure at the pad"] > 1.0 > known.common_m["pressure at the pad"]


def test_a_known_latitude_removes_the_doubt_about_gravity():
    (flight,) = flights_of(apogees=[apogee_of()], reading=Reading(PLAIN.weather, Pad(0.8, 400.0), corrected=False))
    assert flight.common_m["gravity"] == 0.0


def test_heights_that_are_corrected_already_stay_as_they_are():
    (flight,) = flights_of(apogees=[apogee_of(temperature_k=310.0)], reading=Reading(Weather(), Pad(), corrected=True))
    assert flight.height_m == 100.0
    assert set(flight.common_m) == {SENSOR}


def test_pressures_cannot_be_corrected_already():
    time, height, _ = flight()
    log = log_of(time, None, pressure_pa=101_325 - 12 * height)
    with pytest.raises(ReductionError, match="corrected"):
        flights_of(logs=[log], reading=Reading(Weather(), Pad(), corrected=True))


def test_a_stated_sigma_is_the_instruments_own():
    (stated,) = flights_of(apogees=[apogee_of(sigma_m=0.3)])
    assert stated.own_m == {STATED: 0.3}
    assert SENSOR not in stated.common_m
    (silent,) = flights_of(apogees=[apogee_of()])
    assert INSTRUMENT in silent.own_m


def test_a_thermometer_goes_before_the_altimeters_own():
    time, height, _ = flight()
    log = log_of(time, height, temperature_k=np.full(time.size, 310.0))
    (by_thermometer,) = flights_of(logs=[log])
    (by_sensor,) = flights_of(logs=[log], reading=Reading(Weather(), Pad(), corrected=False))
    assert by_thermometer.air.temperature_k == 288.15
    assert by_sensor.air.temperature_k == 310.0
    assert any("thermometer" in remark for remark in by_sensor.remarks)


def test_a_log_without_a_launch_is_told_and_not_lost():
    (nothing,) = flights_of(logs=[log_of(np.arange(100.0), np.zeros(100))])
    assert nothing.height_m is None
    assert "no launch" in nothing.trouble


def test_a_log_that_starts_in_the_air_is_told_and_not_lost():
    time, height, _ = flight(pad_s=0.1)
    (late,) = flights_of(logs=[log_of(time, height)])
    assert late.height_m is None
    assert "level of the pad" in late.trouble


def test_two_launches_under_one_number_are_told():
    first, second = flight(apex_m=80.0), flight(apex_m=150.0, seed=2)
    time = np.concatenate([first[0], second[0] + first[0][-1] + 60])
    (both,) = flights_of(logs=[log_of(time, np.concatenate([first[1], second[1]]), flight=7)])
    assert both.indicated_m == pytest.approx(150.0, abs=0.6)
    assert "2 launches" in both.remarks[0]


@pytest.mark.parametrize("seed", range(60))
def test_whatever_was_logged_gives_a_height_with_a_sigma_or_a_reason(seed):
    draw = np.random.default_rng(seed)
    count = int(draw.integers(1, 400))
    time = np.cumsum(draw.choice([0.0, 0.01, 0.05, 0.1, 1.0, 30.0], count, p=[0.1, 0.2, 0.3, 0.3, 0.08, 0.02]))
    shapes = (
        np.cumsum(draw.normal(0, draw.choice([0.1, 1.0, 10.0]), count)),
        np.interp(time, time[-1] * np.array([0.3, 0.4, 0.9]), [0.0, draw.uniform(5, 300), 0.0]) + draw.normal(0, 0.3, count),
        np.round(np.abs(np.sin(time / draw.uniform(1, 20))) * draw.uniform(5, 300)),
    )
    for told in flights_of(logs=[log_of(time, np.clip(shapes[seed % 3], -900, 11_000))]):
        assert (told.height_m is None) == bool(told.trouble)
        if told.height_m is not None:
            assert np.isfinite([told.height_m, *told.own_m.values(), *told.common_m.values()]).all()
