"""A simulated flight is consistent with itself."""

import numpy as np
import pytest

from apexfix.sim import meadow
from apexfix.sim.truth import Launch, Rocket, Wind, fly
from apexfix.units import DEG

ROCKET = Rocket(0.06, 0.008, (0.0, 0.2, 1.2), (0.0, 10.0, 3.0), 2.5e-4, 0.05, 6.0)
WIND = Wind(3.0, 1.0, gust_share=0.2)


def test_the_apex_is_the_highest_point_of_the_trajectory():
    flight = fly(ROCKET, Launch(4 * DEG, 2.0), WIND)
    heights = flight.position_m(np.linspace(0, flight.landing_s, 40_001))[:, 2]
    assert heights.max() == pytest.approx(flight.apex_m[2], abs=1e-3)
    assert heights.max() <= flight.apex_m[2] + 1e-5


def test_a_flight_begins_on_the_pad_and_ends_on_the_ground():
    flight = fly(ROCKET, Launch(4 * DEG, 2.0), WIND)
    assert flight.position_m(np.array([-3.0, 0.0])).tolist() == [[0, 0, 0], [0, 0, 0]]
    assert flight.landing_m[2] == pytest.approx(0.0, abs=1e-6)
    assert flight.position_m(np.array([1e4]))[0] == pytest.approx(flight.landing_m, abs=1e-6)


def test_a_model_climbs_along_its_rail_first():
    flight = fly(ROCKET, Launch(20 * DEG, 90 * DEG), WIND)
    path = flight.position_m(np.linspace(0.0, 0.3, 600))
    on_rail = path[(np.linalg.norm(path, axis=1) > 0.01) & (np.linalg.norm(path, axis=1) < 0.9)]
    assert len(on_rail) > 10
    assert on_rail[:, 0] / on_rail[:, 2] == pytest.approx(np.tan(20 * DEG), rel=1e-6)


def test_a_motor_that_cannot_lift_the_model_is_an_error():
    with pytest.raises(ValueError, match="never leaves the pad"):
        fly(Rocket(1.0, 0.008, (0.0, 0.2, 1.2), (0.0, 5.0, 3.0), 2.5e-4, 0.05, 6.0), Launch(), Wind())


@pytest.mark.parametrize("seed", range(6))
def test_every_flight_of_a_day_keeps_two_good_stations_and_a_sane_height(seed):
    rng = np.random.default_rng(seed)
    plan = meadow.draw_plan(rng)
    stations = meadow.draw_stations(rng, plan.overhead[1])
    flights = meadow.draw_flights(rng, plan, stations)
    struck = [plan.overhead[0], plan.missed[0], plan.double[0], plan.held[0], plan.reboot[0]]
    assert len(set(struck)) == 5
    assert all(59 < np.hypot(*place[:2]) < 151 for place in stations)
    assert all(40 <= trajectory.apex_m[2] <= 250 for trajectory, _ in flights)


@pytest.mark.parametrize("seed", range(6))
def test_the_overhead_flight_passes_over_its_station(seed):
    rng = np.random.default_rng(seed)
    plan = meadow.draw_plan(rng)
    stations = meadow.draw_stations(rng, plan.overhead[1])
    trajectory, _ = meadow.draw_flights(rng, plan, stations)[plan.overhead[0]]
    station = stations[plan.overhead[1]]
    outward = station[:2] / np.hypot(*station[:2])
    beyond = (trajectory.apex_m - station)[:2]
    assert beyond @ outward > 0
    assert abs(beyond @ np.array([-outward[1], outward[0]])) < 8.0
