"""Weighted least squares from angles: exactness, symmetry, the zenith, missing readings, and what cannot be solved."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apexfix.errors import ReductionError
from apexfix.reduce import HorizontalPrior, Trouble, explain, fix_many
from apexfix.reduce.least_squares import sightlines
from apexfix.reduce.sightline import linearise
from apexfix.units import DEG

NAN = np.nan
TRIANGLE = np.array([[100.0, 0.0, 1.0], [-50.0, 86.0, 2.0], [-50.0, -86.0, 0.0]])
SIGMA = 0.5 * DEG


def angles_to(apex, station):
    """Return azimuths and elevations (F, N) by plane trigonometry, not by the package's own geometry."""
    away = np.atleast_2d(apex)[:, None] - station
    return np.arctan2(away[..., 0], away[..., 1]), np.arctan2(away[..., 2], np.hypot(away[..., 0], away[..., 1]))


def noisy(apex, station, sigma_a, sigma_e, flights=20_000, seed=5):
    draw = np.random.default_rng(seed)
    azimuth, elevation = angles_to(np.broadcast_to(apex, (flights, 3)), station)
    return azimuth + sigma_a * draw.normal(size=azimuth.shape), elevation + sigma_e * draw.normal(size=azimuth.shape)


def trouble_of(azimuth_deg, elevation_deg, station, **more):
    """Return the trouble of one flight, its sentence, and check that the numbers are NaN."""
    azimuth, elevation = np.array(azimuth_deg) * DEG, np.array(elevation_deg) * DEG
    fixes = fix_many(azimuth, elevation, np.array(station, float), SIGMA, SIGMA, **more)
    for numbers in (fixes.position_m, fixes.covariance_m2, fixes.residual_rad):
        assert np.isnan(numbers).all()
    trouble = Trouble(int(fixes.trouble[0]))
    return trouble, explain(trouble, "ABCDEFGH"[: len(azimuth)], azimuth, elevation, np.full(len(azimuth), SIGMA))


# --- exact readings -------------------------------------------------------------------------------------------------

coordinate = st.floats(-80, 80)


@given(east=coordinate, north=coordinate, up=st.floats(30, 900))
@settings(deadline=None)
def test_exact_readings_give_the_exact_position(east, north, up):
    apex = np.array([east, north, up])
    fixes = fix_many(*angles_to(apex, TRIANGLE), TRIANGLE, SIGMA, SIGMA)
    assert fixes.position_m[0] == pytest.approx(apex, abs=1e-6)
    assert fixes.residual_rad[0] == pytest.approx(np.zeros((3, 2)), abs=1e-7)


@pytest.mark.parametrize("missing", [(), (0,), (0, 1), (0, 1, 2)])
def test_any_mixture_of_full_and_elevation_only_stations_gives_the_exact_position(missing):
    draw = np.random.default_rng(2)
    apex = np.array([0.0, 0.0, 200.0]) + draw.normal(0, 15, (500, 3))
    azimuth, elevation = angles_to(apex, TRIANGLE)
    azimuth[:, list(missing)] = NAN
    fixes = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    assert fixes.position_m == pytest.approx(apex, abs=1e-5)
    assert (np.isnan(fixes.residual_rad[..., 0]) == np.isnan(azimuth)).all()


def test_one_full_station_and_one_elevation_meet_at_the_nearer_of_two_points():
    apex = np.array([[20.0, 10.0, 200.0], [-30.0, 40.0, 120.0]])
    azimuth, elevation = angles_to(apex, TRIANGLE[:2])
    azimuth[:, 1] = NAN
    assert fix_many(azimuth, elevation, TRIANGLE[:2], SIGMA, SIGMA).position_m == pytest.approx(apex, abs=1e-6)


@pytest.mark.parametrize("count", [2, 10, 50])
def test_up_to_fifty_stations_are_solved_together(count):
    station = np.random.default_rng(1).normal(0, 150, (50, 3))[:count] * [1, 1, 0.02]
    azimuth, elevation = angles_to([5.0, 9.0, 300.0], station)
    assert fix_many(azimuth, elevation, station, SIGMA, SIGMA).position_m[0] == pytest.approx([5.0, 9.0, 300.0], abs=1e-6)


def test_each_flight_may_have_its_own_stations_and_sigmas():
    apex = np.array([[10.0, 5.0, 150.0], [-20.0, 8.0, 250.0]])
    station = np.stack([TRIANGLE, 2 * TRIANGLE])
    pairs = [angles_to(a, s) for a, s in zip(apex, station, strict=True)]
    azimuth, elevation = (np.concatenate([pair[i] for pair in pairs]) for i in range(2))
    sigma = np.array([[0.01, 0.02, 0.03], [0.03, 0.02, 0.01]])
    assert fix_many(azimuth, elevation, station, sigma, sigma).position_m == pytest.approx(apex, abs=1e-6)


def test_many_flights_are_solved_as_each_alone():
    # 25 000 readings are worked on together, which is 8333 flights.
    azimuth, elevation = noisy([15.0, -30.0, 180.0], TRIANGLE, SIGMA, SIGMA, flights=9000)
    together = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA).position_m
    for i in (0, 8332, 8333, 8999):
        assert fix_many(azimuth[i], elevation[i], TRIANGLE, SIGMA, SIGMA).position_m[0] == pytest.approx(together[i], abs=1e-7)


def test_a_flight_that_cannot_be_solved_leaves_its_neighbours_alone():
    azimuth, elevation = angles_to(np.array([[0.0, 0.0, 100.0], [1.0, 2.0, 110.0]]), TRIANGLE)
    azimuth[0], elevation[0] = NAN, NAN
    fixes = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    assert fixes.solved.tolist() == [False, True]
    assert fixes.position_m[1] == pytest.approx([1.0, 2.0, 110.0], abs=1e-6)


# --- symmetry -------------------------------------------------------------------------------------------------------


@given(turn=st.floats(-10, 10), seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=50)
def test_turning_the_whole_scene_turns_the_answer(turn, seed):
    azimuth, elevation = noisy([20.0, 30.0, 160.0], TRIANGLE, SIGMA, SIGMA, flights=3, seed=seed)
    c, s = np.cos(turn), np.sin(turn)
    clockwise = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    plain = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    turned = fix_many(azimuth + turn, elevation, TRIANGLE @ clockwise.T, SIGMA, SIGMA)
    assert turned.position_m == pytest.approx(plain.position_m @ clockwise.T, abs=1e-6)
    assert turned.residual_rad == pytest.approx(plain.residual_rad, abs=1e-9)


@given(seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=30)
def test_the_mirrored_scene_has_the_mirrored_answer(seed):
    azimuth, elevation = noisy([20.0, 30.0, 160.0], TRIANGLE, SIGMA, SIGMA, flights=3, seed=seed)
    plain = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA).position_m
    mirrored = fix_many(-azimuth, elevation, TRIANGLE * [-1, 1, 1], SIGMA, SIGMA).position_m
    assert mirrored == pytest.approx(plain * [-1, 1, 1], abs=1e-6)


@given(scale=st.floats(0.05, 20), seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=30)
def test_a_scene_twice_as_large_has_an_answer_twice_as_large(scale, seed):
    azimuth, elevation = noisy([20.0, 30.0, 160.0], TRIANGLE, SIGMA, SIGMA, flights=3, seed=seed)
    plain = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    large = fix_many(azimuth, elevation, TRIANGLE * scale, SIGMA, SIGMA)
    assert large.position_m == pytest.approx(plain.position_m * scale, rel=1e-7, abs=1e-6)
    assert large.covariance_m2 == pytest.approx(plain.covariance_m2 * scale**2, rel=1e-5, abs=1e-8)


@given(turns=st.lists(st.integers(-3, 3), min_size=3, max_size=3))
@settings(deadline=None, max_examples=30)
def test_whole_turns_of_an_azimuth_change_nothing(turns):
    azimuth, elevation = noisy([20.0, 30.0, 160.0], TRIANGLE, SIGMA, SIGMA, flights=2)
    plain = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    again = fix_many(azimuth + 2 * np.pi * np.array(turns), elevation, TRIANGLE, SIGMA, SIGMA)
    assert again.position_m == pytest.approx(plain.position_m, abs=1e-6)
    assert again.residual_rad == pytest.approx(plain.residual_rad, abs=1e-9)


@given(over=st.lists(st.booleans(), min_size=3, max_size=3))
@settings(deadline=None, max_examples=8)
def test_a_direction_read_over_the_zenith_is_the_same_direction(over):
    azimuth, elevation = noisy([20.0, 30.0, 160.0], TRIANGLE, SIGMA, SIGMA, flights=2)
    plain = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    again = fix_many(azimuth + np.pi * np.array(over), np.where(over, np.pi - elevation, elevation), TRIANGLE, SIGMA, SIGMA)
    assert again.position_m == pytest.approx(plain.position_m, abs=1e-6)
    # The residual is on the side on which the elevation was read.
    side = np.where(over, -1.0, 1.0)
    assert again.residual_rad[..., 1] == pytest.approx(side * plain.residual_rad[..., 1], abs=1e-9)
    assert again.residual_rad[..., 0] == pytest.approx(plain.residual_rad[..., 0], abs=1e-9)


# --- overhead -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("elevation_deg", [80.0, 88.0, 89.9, 90.0, 90.1, 95.0, 100.0])
def test_a_model_that_passes_over_a_station_is_solved_with_that_station(elevation_deg):
    # Station A looks west, along azimuth 270, and its elevation runs on beyond 90 degrees.
    apex = TRIANGLE[0] + np.array([-np.cos(elevation_deg * DEG), 0.0, np.sin(elevation_deg * DEG)]) * 200.0
    azimuth, elevation = angles_to(apex, TRIANGLE)
    azimuth[0, 0], elevation[0, 0] = 270 * DEG, elevation_deg * DEG
    fixes = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    assert fixes.position_m[0] == pytest.approx(apex, abs=1e-6)
    # At the zenith itself an azimuth is anything; what it is off by across the line of sight stays nothing.
    assert fixes.residual_rad[0] * np.stack([np.cos(elevation[0]), np.ones(3)], axis=1) == pytest.approx(np.zeros((3, 2)), abs=1e-7)


@pytest.mark.parametrize("east_m", [90.0, 99.0, 99.9, 100.0, 101.0, 110.0, 135.0])
def test_the_height_of_a_model_overhead_is_unbiased_and_as_sure_as_it_says(east_m):
    apex = np.array([east_m, 0.0, 200.0])
    fixes = fix_many(*noisy(apex, TRIANGLE, SIGMA, SIGMA), TRIANGLE, SIGMA, SIGMA)
    assert fixes.solved.all()
    scaled = (fixes.position_m[:, 2] - apex[2]) / np.sqrt(fixes.covariance_m2[:, 2, 2])
    # 20 000 flights know a mean to 0.007 and a sigma to 0.5 %.
    assert abs(scaled.mean()) < 0.05
    assert scaled.std() == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("wrong_deg", [40.0, 90.0, 170.0, 180.0])
def test_a_senseless_azimuth_at_the_zenith_does_not_move_the_height(wrong_deg):
    apex = TRIANGLE[0] + [0.0, 0.0, 200.0]
    azimuth, elevation = angles_to(apex, TRIANGLE)
    azimuth[0, 0] = wrong_deg * DEG
    fixes = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    assert fixes.position_m[0] == pytest.approx(apex, abs=1e-4)


def test_an_elevation_alone_beyond_the_zenith_counts_as_its_supplement():
    azimuth, elevation = angles_to([10.0, 0.0, 150.0], TRIANGLE)
    elevation[0, 1] = np.pi - elevation[0, 1] + 0.01
    azimuth[0, 1] = NAN
    fixes = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    elevation[0, 1] = np.pi - elevation[0, 1]
    folded = fix_many(azimuth, elevation, TRIANGLE, SIGMA, SIGMA)
    assert fixes.position_m == pytest.approx(folded.position_m, abs=1e-9)
    assert fixes.residual_rad[0, 1, 1] == pytest.approx(-folded.residual_rad[0, 1, 1], abs=1e-12)


# --- what a reading weighs ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("azimuths", [True, False])
def test_the_jacobian_is_the_slope_of_the_residuals(azimuths):
    draw = np.random.default_rng(9)
    position = np.array([[30.0], [10.0], [150.0]]) + draw.normal(0, 60, (3, 200))
    azimuth, elevation = (a + draw.normal(0, 0.3, a.shape) for a in angles_to(position.T, TRIANGLE))
    place, sigma = np.broadcast_to(TRIANGLE, (200, 3, 3)), np.full((200, 3), 0.02)
    lines = sightlines(azimuth if azimuths else azimuth * NAN, elevation, place, sigma, sigma, 1e-5)
    here = linearise(position, lines)
    for axis in range(3):
        step = np.zeros((3, 1))
        step[axis] = 1e-4
        ahead, back = linearise(position + step, lines), linearise(position - step, lines)
        for name in ("across", "along"):
            slope = -(getattr(ahead, name) - getattr(back, name)) / 2e-4
            assert getattr(here, f"{name}_gradient")[axis] == pytest.approx(slope, abs=1e-6)


def test_an_azimuth_weighs_across_the_line_of_sight_by_the_cosine_of_the_elevation():
    # One full station and a prior so wide that it says nothing about the direction across.
    position = np.array([[0.0], [100.0], [300.0]])
    one = np.ones((1, 1))
    lines = sightlines(0 * one, np.arctan(3.0) * one, np.zeros((1, 1, 3)), 0.01 * one, 1e-6 * one)
    across = linearise(position, lines).across_gradient[0][0, 0]
    # sigma of the azimuth reading times the level distance, which is the range times cos(elevation)
    assert 1 / across == pytest.approx(0.01 * 100.0, rel=1e-6)


def test_residuals_are_reading_less_prediction():
    azimuth, elevation = angles_to([10.0, 0.0, 150.0], TRIANGLE)
    sigma = np.array([1.0, 1e-6, 1e-6])  # the first station has no say
    azimuth[0, 0] += 0.02
    elevation[0, 0] -= 0.03
    residual = fix_many(azimuth, elevation, TRIANGLE, sigma, sigma).residual_rad[0]
    assert residual[0] == pytest.approx([0.02, -0.03], abs=1e-6)


def test_a_drift_prior_lets_two_elevations_solve_and_says_how_much_is_prior():
    station = np.array([[100.0, 0.0, 0.0], [0.0, 100.0, 0.0]])
    prior = HorizontalPrior(np.zeros(2), 20.0**2 * np.eye(2))
    fixes = fix_many(np.full(2, NAN), np.arctan([1.0, 1.0]), station, SIGMA, SIGMA, prior=prior)
    assert fixes.position_m[0] == pytest.approx([0.0, 0.0, 100.0], abs=1e-6)
    assert fixes.prior_share[0] > 0.9
    # First order: h = L tan E (1 + d/L): both drifts enter by half of tan E; each elevation by half of 2 L.
    expected = 2 * (0.5 * 20.0) ** 2 + 2 * (0.5 * 200.0 * SIGMA) ** 2
    assert fixes.covariance_m2[0, 2, 2] == pytest.approx(expected, rel=1e-6)
    assert fixes.prior_share[0] == pytest.approx(2 * (0.5 * 20.0) ** 2 / expected, rel=1e-6)


def test_without_a_prior_its_share_is_nothing():
    assert fix_many(*angles_to([1.0, 2.0, 90.0], TRIANGLE), TRIANGLE, SIGMA, SIGMA).prior_share[0] == 0.0


# --- what cannot be solved ------------------------------------------------------------------------------------------


def test_no_reading_is_said():
    assert trouble_of([NAN, NAN], [NAN, NAN], TRIANGLE[:2])[0] is Trouble.NO_READING


def test_a_flight_without_stations_and_a_day_without_flights_are_no_trouble():
    assert fix_many(np.zeros((2, 0)), np.zeros((2, 0)), np.zeros((0, 3)), SIGMA, SIGMA).trouble.tolist() == [Trouble.NO_READING] * 2
    assert fix_many(np.zeros((0, 3)), np.zeros((0, 3)), TRIANGLE, SIGMA, SIGMA).position_m.shape == (0, 3)


def test_one_station_alone_is_too_few():
    trouble, words = trouble_of([10, NAN], [40, NAN], TRIANGLE[:2])
    assert trouble is Trouble.TOO_FEW
    assert "(A)" in words


def test_stations_in_one_place_are_named():
    trouble, words = trouble_of([10, 20], [40, 41], [[5, 5, 1], [5, 5, 1]])
    assert trouble is Trouble.ONE_PLACE
    assert "A, B" in words


@pytest.mark.parametrize("elevation_deg", [(45, 45), (90, 90), (0, 0)])
def test_parallel_rays_are_named(elevation_deg):
    trouble, words = trouble_of([30, 30], elevation_deg, [[0, 0, 0], [80, 0, 0]])
    assert trouble is Trouble.PARALLEL
    assert "A and B" in words


def test_only_the_parallel_pair_is_named():
    trouble, words = trouble_of([30.0, 30.2, NAN], [45, 45, NAN], [[0, 0, 0], [20, 0, 0], [0, 50, 0]])
    assert trouble is Trouble.PARALLEL
    assert "A and B" in words
    assert "C" not in words


def test_elevations_from_stations_in_one_line_cannot_tell_left_from_right():
    trouble, words = trouble_of([NAN] * 3, [40, 45, 40], [[-100, 0, 0], [0, 0, 0], [100, 0, 0]])
    assert trouble is Trouble.IN_LINE
    assert "one azimuth would decide" in words


def test_full_readings_from_stations_in_one_line_with_the_apex_are_solved():
    # Azimuths alone are singular there; the elevations hold the position.
    station = np.array([[-100.0, 0.0, 0.0], [100.0, 0.0, 0.0]])
    fixes = fix_many(*angles_to([0.0, 0.0, 120.0], station), station, SIGMA, SIGMA)
    assert fixes.position_m[0] == pytest.approx([0.0, 0.0, 120.0], abs=1e-6)


@pytest.mark.parametrize("elevation_deg", [-10.0, 0.0, 10.0])
def test_rays_that_would_meet_behind_an_observer_are_not_a_position(elevation_deg):
    assert trouble_of([0, 90], [elevation_deg] * 2, [[0, 0, 0], [100, 100, 0]])[0] is Trouble.BEHIND


def test_a_station_at_the_pad_is_solved_with_another():
    station = np.array([[0.0, 0.0, 0.0], [150.0, 0.0, 1.0]])
    azimuth, elevation = angles_to([0.0, 0.0, 200.0], station)
    fixes = fix_many(azimuth, elevation, station, SIGMA, SIGMA)
    assert fixes.position_m[0] == pytest.approx([0.0, 0.0, 200.0], abs=1e-6)


def test_a_station_at_the_pad_with_only_an_elevation_and_a_prior_cannot_tell_a_height():
    prior = HorizontalPrior(np.zeros(2), 100 * np.eye(2))
    trouble, words = trouble_of([NAN], [85], [[0, 0, 0]], prior=prior)
    assert trouble is Trouble.PARALLEL
    assert "away from the pad" in words


@given(seed=st.integers(0, 10_000))
@settings(deadline=None, max_examples=60)
def test_no_readings_however_senseless_give_a_warning_or_half_an_answer(seed):
    # Warnings are errors in this suite.
    draw = np.random.default_rng(seed)
    count = int(draw.integers(1, 6))
    station = draw.normal(0, 100, (count, 3)) * draw.choice([0, 1, 1e-6, 1e4], 3)
    azimuth = draw.uniform(-7, 7, (50, count))
    azimuth[draw.random((50, count)) < 0.3] = NAN
    elevation = draw.choice([0, np.pi / 2, np.pi, -0.3, 1, 1.5, NAN], (50, count))
    for prior in (None, HorizontalPrior(np.zeros(2), 400 * np.eye(2))):
        fixes = fix_many(azimuth, elevation, station, draw.choice([1e-9, 0.01, 1]), draw.choice([1e-9, 0.01, 1]), prior=prior)
        for numbers in (fixes.position_m, fixes.covariance_m2, fixes.chi2):
            assert np.isfinite(numbers[fixes.solved]).all()
            assert np.isnan(numbers[~fixes.solved]).all()
        assert (np.diagonal(fixes.covariance_m2[fixes.solved], axis1=1, axis2=2) > 0).all()


def test_a_sigma_of_nothing_is_refused_by_name():
    with pytest.raises(ReductionError, match=r"elevation of flight 0, station 1 has the sigma 0\.0"):
        fix_many(*angles_to([0.0, 0.0, 90.0], TRIANGLE), TRIANGLE, SIGMA, np.array([0.1, 0.0, 0.1]))


def test_a_station_that_is_nowhere_is_refused_only_if_it_read_something():
    azimuth, elevation = angles_to([0.0, 0.0, 90.0], TRIANGLE)
    station = np.concatenate([TRIANGLE, [[NAN, NAN, NAN]]])
    silent = fix_many(np.append(azimuth, NAN), np.append(elevation, NAN), station, SIGMA, SIGMA)
    assert silent.position_m[0] == pytest.approx([0.0, 0.0, 90.0], abs=1e-6)
    with pytest.raises(ReductionError, match="station 3 stands at"):
        fix_many(np.append(azimuth, NAN), np.append(elevation, 0.5), station, SIGMA, SIGMA)


def test_a_prior_without_a_spread_is_refused():
    prior = HorizontalPrior(np.zeros(2), np.zeros((2, 2)))
    with pytest.raises(ReductionError, match="without an inverse"):
        fix_many(*angles_to([0.0, 0.0, 90.0], TRIANGLE), TRIANGLE, SIGMA, SIGMA, prior=prior)


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(ReductionError, match="must be"):
        fix_many(np.zeros((2, 3)), np.zeros((2, 4)), TRIANGLE, SIGMA, SIGMA)
    with pytest.raises(ReductionError, match="do not fit"):
        fix_many(np.zeros((2, 4)), np.zeros((2, 4)), TRIANGLE, SIGMA, SIGMA)
