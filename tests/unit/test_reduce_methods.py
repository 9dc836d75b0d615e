"""The named methods: each on a scene it was made for, and refusing one that it was not."""

import numpy as np
import pytest

from apexfix.errors import ReductionError
from apexfix.reduce import Closure, ClosureRule, HorizontalPrior, Observations, closure_percent, side_by_side, sporting_verdict
from apexfix.reduce.elevations import (
    drift_solving_elevations,
    elevations_with_prior,
    equally_spaced_elevations,
    mean_of_stations,
    single_station,
)
from apexfix.reduce.methods import common_perpendicular, crossing_azimuths, four_angle_height, four_angles
from apexfix.units import DEG

TRIANGLE = np.array([[100.0, 0.0, 1.0], [-50.0, 86.0, 2.0], [-50.0, -86.0, 0.0]])
APEX = np.array([12.0, -8.0, 170.0])


def angles_to(apex, station):
    east, north, up = (apex - station).T
    return np.arctan2(east, north), np.arctan2(up, np.hypot(east, north))


def observations(station, azimuth, elevation):
    count = len(station)
    sigma = np.full(count, 0.5 * DEG)
    names = tuple("ABCDEF"[:count])
    return Observations(names, station, azimuth, elevation, sigma, sigma, sigma, sigma, np.full(count, 0.1), np.zeros(count))


# --- elevations only ------------------------------------------------------------------------------------------------


def test_a_single_station_is_right_over_the_pad_and_wrong_by_tan_e_for_each_metre_of_drift():
    station = np.array([120.0, 50.0, 1.5])
    over = single_station(station, np.arctan2(198.5, 130.0))
    assert over.height_m == pytest.approx(200.0)
    # Ten metres farther away along the line of sight lower the elevation; the formula then lacks ten times the new tangent.
    farther = single_station(station, np.arctan2(198.5, 140.0))
    assert 200.0 - farther.height_m == pytest.approx(10.0 * farther.per_metre_of_drift)


def test_one_degree_costs_a_single_station_what_it_says():
    station = np.array([120.0, 50.0, 1.5])
    low, middle, high = (single_station(station, e * DEG) for e in (49.95, 50.0, 50.05))
    assert high.height_m - low.height_m == pytest.approx(0.1 * middle.per_degree_m, rel=1e-4)


def test_a_station_at_the_pad_has_no_height_from_an_elevation():
    with pytest.raises(ReductionError, match="stands at the pad"):
        single_station(np.zeros(3), 45 * DEG)


@pytest.mark.parametrize("elevation_deg", [-5.0, 0.0, 90.0, 180.0])
def test_an_elevation_without_a_tangent_worth_the_name_is_refused(elevation_deg):
    with pytest.raises(ReductionError, match="it must lie between"):
        single_station(np.array([100.0, 0.0, 0.0]), elevation_deg * DEG)


def test_opposite_stations_cancel_a_drift_along_their_line_to_first_order():
    station = np.array([[100.0, 0.0, 0.0], [-100.0, 0.0, 0.0]])
    _, elevation = angles_to(np.array([2.0, 0.0, 100.0]), station)
    assert mean_of_stations(station, elevation).height_m == pytest.approx(100.0, abs=0.05)
    assert abs(single_station(station[0], elevation[0]).height_m - 100.0) > 1.9


def test_the_height_of_the_station_is_part_of_the_height():
    up = np.array([0.0, 0.0, 30.0])
    _, elevation = angles_to(APEX + up, TRIANGLE + up)
    assert drift_solving_elevations(TRIANGLE + up, elevation, np.full(3, 0.01)).height_m == pytest.approx(APEX[2] + 30.0, abs=1e-5)
    low, high = (mean_of_stations(station, elevation).height_m for station in (TRIANGLE, TRIANGLE + up))
    assert high == pytest.approx(low + 30.0)


def test_elevations_of_any_layout_solve_the_drift():
    _, elevation = angles_to(APEX, TRIANGLE)
    found = drift_solving_elevations(TRIANGLE, elevation, np.full(3, 0.01))
    assert [*found.level_m, found.height_m] == pytest.approx(APEX, abs=1e-5)


def test_two_elevations_do_not_solve_a_drift():
    with pytest.raises(ReductionError, match="too few readings"):
        drift_solving_elevations(TRIANGLE[:2], np.array([0.8, 0.9]), np.full(2, 0.01))


def test_two_elevations_with_a_prior_say_how_much_of_the_answer_is_prior():
    prior = HorizontalPrior(np.zeros(2), 225 * np.eye(2))
    found = elevations_with_prior(TRIANGLE[:2], np.array([0.8, 0.9]), np.full(2, 0.01), prior)
    share = int(found.assumes.split(" %")[0].split()[-1])
    assert 50 < share <= 100


def test_stations_that_are_not_equally_spaced_do_not_get_the_closed_form():
    with pytest.raises(ReductionError, match="equally spaced"):
        equally_spaced_elevations(100.0, np.array([0.0, 1.0, 2.0]), np.full(3, 0.8))


def test_cones_that_do_not_meet_are_an_error():
    with pytest.raises(ReductionError, match="do not meet"):
        equally_spaced_elevations(100.0, np.arange(3) * 120 * DEG, np.array([10.0, 80.0, 80.0]) * DEG)


# --- azimuth and elevation ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", [crossing_azimuths, common_perpendicular])
@pytest.mark.parametrize("count", [2, 3])
def test_exact_rays_give_the_exact_apex(method, count):
    found = method(TRIANGLE[:count], *angles_to(APEX, TRIANGLE[:count]))
    assert [*found.level_m, found.height_m] == pytest.approx(APEX, abs=1e-9)
    assert closure_percent(found.closure) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("method", [crossing_azimuths, common_perpendicular])
def test_a_ray_read_over_the_zenith_is_the_same_ray(method):
    azimuth, elevation = angles_to(APEX, TRIANGLE)
    azimuth[0] += np.pi
    elevation[0] = np.pi - elevation[0]
    assert method(TRIANGLE, azimuth, elevation).height_m == pytest.approx(APEX[2])


@pytest.mark.parametrize(
    "corner", [(0.0, 0.0, 0.0), (-40.0, 60.0, 3.0)], ids=["with the west station at the pad", "with the base off the pad"]
)
def test_four_angles_of_level_stations_give_the_exact_height_wherever_the_base_runs(corner):
    station = np.array(corner) + np.array([[0.0, 0.0, 0.0], [180.0, -70.0, 0.0]])
    apex = station.mean(axis=0) + np.array([30.0, 60.0, 140.0])
    assert four_angle_height(station, *angles_to(apex, station)).height_m == pytest.approx(apex[2])


def test_four_angles_take_two_stations():
    with pytest.raises(ReductionError, match="two stations"):
        four_angle_height(TRIANGLE, *angles_to(APEX, TRIANGLE))


def test_four_angles_that_run_off_the_base_are_an_error():
    with pytest.raises(ReductionError, match="run off the base"):
        four_angles(300.0, 0.5, 120 * DEG, 100 * DEG, 0.5)


def test_azimuths_along_the_base_have_no_crossing():
    station = np.array([[-100.0, 0.0, 0.0], [100.0, 0.0, 0.0]])
    with pytest.raises(ReductionError, match="no two azimuths cut"):
        crossing_azimuths(station, *angles_to(np.array([0.0, 1.0, 100.0]), station))


def test_azimuths_that_cross_behind_an_observer_have_no_crossing():
    with pytest.raises(ReductionError, match="no two azimuths cut"):
        crossing_azimuths(np.array([[0.0, 0, 0], [100.0, 100, 0]]), np.array([0.0, 90.0]) * DEG, np.full(2, 0.5))


def test_parallel_rays_have_no_common_perpendicular():
    with pytest.raises(ReductionError, match="cut at less than"):
        common_perpendicular(TRIANGLE[:2], np.full(2, 0.3), np.full(2, 0.8))


def test_rays_nearest_behind_an_observer_are_an_error():
    with pytest.raises(ReductionError, match="behind an observer"):
        common_perpendicular(np.array([[0.0, 0, 0], [100.0, 100, 0]]), np.array([0.0, 90.0]) * DEG, np.zeros(2))


# --- closure --------------------------------------------------------------------------------------------------------


def test_each_rule_measures_its_own_disagreement():
    closure = Closure(100.0, np.array([90.0, 110.0]), 7.0)
    assert closure_percent(closure, ClosureRule.MEAN) == pytest.approx(20.0)
    assert closure_percent(closure, ClosureRule.EACH) == pytest.approx(10.0)
    assert closure_percent(closure, ClosureRule.GAP) == pytest.approx(7.0)


def test_the_choice_of_rule_decides_a_borderline_case():
    closure = Closure(100.0, np.array([93.0, 107.0]), None)
    assert not sporting_verdict(closure, rule=ClosureRule.MEAN).closes
    assert sporting_verdict(closure, rule=ClosureRule.EACH).closes


def test_a_gap_is_not_made_up():
    with pytest.raises(ReductionError, match="no gap"):
        closure_percent(Closure(100.0, np.array([93.0, 107.0]), None), ClosureRule.GAP)


def test_a_height_below_the_pad_has_no_closure_in_per_cent():
    with pytest.raises(ReductionError, match="above the pad"):
        closure_percent(Closure(-3.0, np.array([-2.0, -4.0]), None))


@pytest.mark.parametrize(("height_m", "written_m"), [(99.4, 99), (99.5, 100), (100.5, 101)])
def test_heights_are_written_in_whole_metres_halves_up(height_m, written_m):
    assert sporting_verdict(Closure(height_m, np.full(2, height_m), None)).height_m == written_m


# --- side by side ---------------------------------------------------------------------------------------------------


def names_of(*arguments):
    return [result.name for result in side_by_side(*arguments)]


def test_three_full_stations_show_every_method_for_many():
    results = tuple(side_by_side(observations(TRIANGLE, *angles_to(APEX, TRIANGLE))))
    assert [result.name for result in results] == [
        "mean of single stations",
        "elevations, drift solved",
        "crossing azimuths, mean height",
        "midpoint of the common perpendicular",
    ]
    assert [result.height_m for result in results[1:]] == pytest.approx([APEX[2]] * 3, abs=1e-5)


def test_two_full_stations_show_the_four_angles_and_no_drift_from_elevations():
    names = names_of(observations(TRIANGLE[:2], *angles_to(APEX, TRIANGLE[:2])))
    assert "four angles" in names
    assert "elevations, drift solved" not in names


def test_one_elevation_shows_its_height_and_with_a_prior_the_expected_drift():
    station = TRIANGLE[:1]
    one = observations(station, np.array([np.nan]), np.array([0.9]))
    assert names_of(one) == ["single station"]
    assert names_of(one, HorizontalPrior(np.zeros(2), 100 * np.eye(2))) == ["single station", "elevations with expected drift"]


def test_a_flight_that_nobody_read_shows_nothing():
    nothing = observations(TRIANGLE[:0], np.zeros(0), np.zeros(0))
    assert not list(side_by_side(nothing, HorizontalPrior(np.zeros(2), 100 * np.eye(2))))
