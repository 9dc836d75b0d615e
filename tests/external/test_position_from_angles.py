"""Positions and heights from angles against values that others published, and against a second way to compute them."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from apexfix.reduce import ClosureRule, closure_percent, curvature_per_m, fix_many, sporting_verdict
from apexfix.reduce.elevations import equally_spaced_elevations, mean_of_stations, single_station
from apexfix.reduce.methods import (
    common_perpendicular,
    crossing_azimuths,
    four_angle_height,
    four_angles,
    perpendicular_distances,
)
from apexfix.units import DEG

# --- ten theodolites ------------------------------------------------------------------------------------------------
# C. A. Hall, "Apollonius to theodolites", American Mathematical Monthly 82(6), 1975, 651-659, as transcribed in a public library of
# numerical test problems: x, y, z, azimuth counter-clockwise from +x, elevation. (The title of the paper is from memory.)
HALL = np.array(
    [
        [4000, 5000, 1000, 237.0364, 0.0000],
        [1300, 1200, 0, 255.9639, 38.9539],
        [1300, -1200, 0, 107.0361, 38.9538],
        [2800, 1700, 5, 219.3633, 21.8942],
        [2800, -1700, 5, 136.6367, 21.8942],
        [200, 2500, 0, 287.7447, 20.8553],
        [1600, 100, 10, 190.4622, 58.4325],
        [-2000, -800, 15, 15.9314, 17.6014],
        [-600, 700, 0, 336.3706, 29.7953],
        [1050, 90, 0, 245.9453, 84.1217],
    ]
)
HALL_STATION = HALL[:, :3]
HALL_AZIMUTH = (90.0 - HALL[:, 3]) * DEG
HALL_ELEVATION = HALL[:, 4] * DEG


def test_ten_theodolites_have_their_least_perpendicular_distances_at_the_published_point():
    # Published: (950.126, 39.5605, 999.758), norm 225.395. Angles printed to 1e-4 degrees at up to 6 km leave 0.05 m.
    found = common_perpendicular(HALL_STATION, HALL_AZIMUTH, HALL_ELEVATION)
    point = np.array([*found.level_m, found.height_m])
    assert point == pytest.approx([950.126, 39.5605, 999.758], abs=0.05)
    distance = perpendicular_distances(point, HALL_STATION, HALL_AZIMUTH, HALL_ELEVATION)
    assert np.linalg.norm(distance) == pytest.approx(225.395, abs=0.05)


def test_ten_theodolites_without_their_six_blunders_meet_in_the_point_that_made_them():
    # The clean elevations are those of (1000, 0, 1000); the azimuths of stations 1, 3, 4, 7, 8, 10 are off by whole degrees
    # (a closed form, found by computing the angles of that point). All else is clean to 0.0002 degrees.
    azimuth = HALL_AZIMUTH.copy()
    azimuth[[0, 2, 3, 6, 7, 9]] = np.nan
    fixes = fix_many(azimuth, HALL_ELEVATION, HALL_STATION, 1e-4 * DEG, 1e-4 * DEG)
    assert fixes.solved.all()
    assert fixes.position_m[0] == pytest.approx([1000.0, 0.0, 1000.0], abs=0.05)


# --- two observers --------------------------------------------------------------------------------------------------


def two(baseline_m, elevation_a, base_a, base_b, elevation_b):
    """Return stations and readings, radians, of two observers on an east-west base who look north of it; degrees in."""
    station = np.array([[0.0, 0.0, 0.0], [baseline_m, 0.0, 0.0]])
    return station, np.array([90.0 - base_a, 270.0 + base_b]) * DEG, np.array([elevation_a, elevation_b]) * DEG


@pytest.mark.parametrize(
    ("angles_deg", "height_m"),
    [((45, 60, 60, 45), 300.0), ((45, 45, 45, 45), 212.1320), ((35.26438968, 45, 45, 35.26438968), 150.0)],
)
def test_four_angles_give_the_height_of_the_published_formula(angles_deg, height_m):
    # NASA Glenn Research Center, "Altitude Equation Derivation": h = L tan a tan d / (cos b tan d + cos c tan a); exact vectors.
    assert four_angles(300.0, *(np.array(angles_deg) * DEG)) == pytest.approx(height_m, abs=1e-4)
    assert four_angle_height(*two(300.0, *angles_deg)).height_m == pytest.approx(height_m, abs=1e-4)


def test_the_methods_give_the_exact_heights_that_tell_them_apart():
    # Exact vectors from the closed forms: sine rule in plan, and the common perpendicular of two lines.
    scene = two(300.0, 50, 60, 55, 47)
    crossing, perpendicular = crossing_azimuths(*scene), common_perpendicular(*scene)
    assert crossing.closure.heights_m == pytest.approx([323.1443, 307.4116], abs=1e-4)
    assert crossing.height_m == pytest.approx(315.2780, abs=1e-4)
    assert closure_percent(crossing.closure) == pytest.approx(4.990, abs=1e-3)
    assert four_angle_height(*scene).height_m == pytest.approx(314.3275, abs=1e-4)
    assert [*perpendicular.level_m, perpendicular.height_m] == pytest.approx([133.2083, 234.2317, 314.3581], abs=1e-4)
    assert perpendicular.closure.gap_m == pytest.approx(9.3786, abs=1e-4)
    assert closure_percent(perpendicular.closure, ClosureRule.GAP) == pytest.approx(2.983, abs=1e-3)


def test_seven_degrees_too_low_at_one_station_do_not_close_by_any_rule():
    # The same vectors with 40 for 47 degrees. Ten per cent is common practice of sporting codes, from memory.
    scene = two(300.0, 50, 60, 55, 40)
    crossing, perpendicular = crossing_azimuths(*scene), common_perpendicular(*scene)
    assert crossing.closure.heights_m == pytest.approx([323.1443, 240.5413], abs=1e-4)
    assert crossing.height_m == pytest.approx(281.8428, abs=1e-4)
    assert closure_percent(crossing.closure) == pytest.approx(29.31, abs=0.01)
    assert perpendicular.height_m == pytest.approx(267.7608, abs=1e-4)
    assert perpendicular.closure.gap_m == pytest.approx(51.6545, abs=1e-4)
    assert closure_percent(perpendicular.closure, ClosureRule.GAP) == pytest.approx(19.29, abs=0.01)
    assert not sporting_verdict(crossing.closure).closes
    assert not sporting_verdict(crossing.closure, rule=ClosureRule.EACH).closes
    assert not sporting_verdict(perpendicular.closure, rule=ClosureRule.GAP).closes


def test_two_rays_are_nearest_to_the_midpoint_of_their_common_perpendicular():
    # An identity of geometry: the feet of the perpendicular are found here by another route, its direction being d1 x d2.
    station, azimuth, elevation = two(300.0, 50, 60, 55, 47)
    d = np.stack([np.cos(elevation) * np.sin(azimuth), np.cos(elevation) * np.cos(azimuth), np.sin(elevation)], axis=1)
    across = np.cross(d[0], d[1])
    t = np.linalg.solve(np.stack([d[0], -d[1], across], axis=1), station[1] - station[0])
    middle = station[0] + t[0] * d[0] + t[2] * across / 2
    found = common_perpendicular(station, azimuth, elevation)
    assert [*found.level_m, found.height_m] == pytest.approx(middle, abs=1e-9)


# --- sporting practice ----------------------------------------------------------------------------------------------


def test_readings_within_ten_per_cent_close_and_are_written_in_whole_metres():
    # Common practice of sporting codes (the US Model Rocket Sporting Code asks for 0.5 degrees, two or more instruments and a
    # baseline of 50-400 % of the altitude); ten per cent and whole metres are from memory.
    verdict = sporting_verdict(crossing_azimuths(*two(300.0, 50, 60, 55, 47)).closure)
    assert verdict.closes
    assert verdict.height_m == 315


def test_a_beginner_accepts_twenty_per_cent():
    # Common practice with no source.
    closure = mean_of_stations(np.array([[100.0, 0, 0], [-100.0, 0, 0]]), np.arctan([1.0, 1.2])).closure
    assert closure_percent(closure) == pytest.approx(100 * 0.2 / 1.1)
    assert not sporting_verdict(closure).closes
    assert sporting_verdict(closure, limit_percent=20.0).closes


def test_84_degrees_seen_from_seven_metres_gives_68_and_a_half():
    # Common practice with no source.
    found = single_station(np.array([7.2, 0.0, 0.0]), 84 * DEG)
    assert found.height_m == pytest.approx(68.5, abs=0.05)
    # One degree there is a fifth of the height up and a seventh down, by the same tangent.
    up, down = (single_station(np.array([7.2, 0.0, 0.0]), (84 + d) * DEG).height_m / found.height_m - 1 for d in (1, -1))
    assert (up, down) == pytest.approx((0.20, -0.14), abs=0.005)


# --- curvature and refraction ---------------------------------------------------------------------------------------


def test_curvature_less_refraction_is_68_millimetres_in_a_kilometre():
    # (1 - k) D^2 / 2R with k = 0.13, the coefficient of geodetic levelling; R the mean radius of the Earth.
    assert 1000.0**2 * curvature_per_m(0.13) == pytest.approx(0.0683, abs=5e-5)


def test_a_far_station_puts_the_model_higher_by_what_the_earth_curves_away():
    # Seen from a circle of radius 1 km, level readings to a model at the height of the stations come out 68 mm low.
    turn = np.arange(3) * 120 * DEG
    station = np.stack([1000 * np.sin(turn), 1000 * np.cos(turn), 0 * turn], axis=1)
    azimuth, elevation = turn + np.pi, np.full(3, np.arctan2(300.0, 1000.0))
    flat, curved = (fix_many(azimuth, elevation, station, 0.01, 0.01, curvature_per_m=c) for c in (0.0, curvature_per_m()))
    assert curved.position_m[0, 2] - flat.position_m[0, 2] == pytest.approx(0.0683, abs=1e-4)


# --- a second solver, and the bound ---------------------------------------------------------------------------------


def whitened(point, station, azimuth, elevation, sigma_a, sigma_e):
    """The documented cost, written out again: sine of the misclosure in azimuth, misclosure in elevation, blurred at the zenith."""
    e, n, u = (point - station).T
    ahead, right = e * np.sin(azimuth) + n * np.cos(azimuth), e * np.cos(azimuth) - n * np.sin(azimuth)
    blur2 = sigma_e**2 * (e**2 + n**2 + u**2)
    q = ahead * np.sqrt(1 + right**2 / (ahead**2 + blur2))
    return np.concatenate([right / np.sqrt(e**2 + n**2 + blur2) / sigma_a, (np.arctan2(u, q) - elevation) / sigma_e])


@pytest.mark.parametrize("apex", [(10.0, -20.0, 180.0), (99.8, 0.3, 250.0), (-150.0, 220.0, 90.0)])
@pytest.mark.parametrize("count", [2, 3, 7, 50])
def test_a_general_solver_finds_the_same_minimum_to_a_micrometre(apex, count):
    draw = np.random.default_rng(count)
    station = np.concatenate([[[100.0, 0.0, 1.0], [-40.0, 80.0, 2.0]], draw.normal(0, 120, (48, 3)) * [1, 1, 0.02]])[:count]
    away = np.array(apex) - station
    sigma_a, sigma_e = draw.uniform(0.2, 1.0, (2, count)) * DEG
    azimuth = np.arctan2(away[:, 0], away[:, 1]) + sigma_a * draw.normal(size=count)
    elevation = np.arctan2(away[:, 2], np.hypot(away[:, 0], away[:, 1])) + sigma_e * draw.normal(size=count)
    readings = (station, azimuth, elevation, sigma_a, sigma_e)
    other = least_squares(whitened, np.array(apex), "3-point", args=readings, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert fix_many(azimuth, elevation, station, sigma_a, sigma_e).position_m[0] == pytest.approx(other.x, abs=1e-6)


FLIGHTS = 20_000
BOTH, ELEVATION = [0, 1], [1]
GEOMETRIES = [
    ((0, 90), BOTH),
    ((0, 120), BOTH),
    ((0, 180), BOTH),
    ((0, 120, 240), BOTH),
    ((0, 72, 144, 216, 288), BOTH),
    ((0, 120, 240), ELEVATION),
    ((0, 90, 180, 270), ELEVATION),
]


def seen(apex, station):
    """Return (F, N, 2) azimuths and elevations by plane trigonometry."""
    east, north, up = np.moveaxis(apex[:, None] - station, -1, 0)
    return np.stack([np.arctan2(east, north), np.arctan2(up, np.hypot(east, north))], axis=-1)


def bound_of_height(apex, station, sigma, rows):
    """Return the Cramer-Rao bound of each height from finite differences of the angles; rows 0 azimuth, 1 elevation."""
    steps = [np.sin(seen(apex + 1e-3 * axis, station) - seen(apex - 1e-3 * axis, station)) for axis in np.eye(3)]
    jacobian = np.stack(steps, axis=-1)[:, :, rows].reshape(len(apex), -1, 3) / (2e-3 * sigma)
    return np.sqrt(np.linalg.inv(np.einsum("fki,fkj->fij", jacobian, jacobian))[:, 2, 2])


@pytest.mark.parametrize("ratio", [0.25, 0.5, 1.0, 2.0, 4.0])
@pytest.mark.parametrize(("bearings_deg", "rows"), GEOMETRIES)
def test_heights_scatter_as_little_as_the_cramer_rao_bound_allows_and_are_not_biased(bearings_deg, rows, ratio):
    # Half a degree is what sporting codes ask of an instrument. 20 000 flights know a sigma to 0.5 % and a mean to 0.007 sigma.
    sigma, draw, turn = 0.5 * DEG, np.random.default_rng(11), np.array(bearings_deg) * DEG
    station = np.stack([200 * ratio * np.sin(turn), 200 * ratio * np.cos(turn), np.full(len(turn), 1.5)], axis=1)
    # The drift stays well inside the circle: at its rim elevations alone hold no height, and the bound is infinite.
    apex = np.array([0.0, 0.0, 200.0]) + draw.normal(0, min(10.0, 20.0 * ratio), (FLIGHTS, 3))
    reading = seen(apex, station) + sigma * draw.normal(size=(FLIGHTS, len(turn), 2))
    azimuth = reading[..., 0] if 0 in rows else np.full(reading.shape[:2], np.nan)
    fixes = fix_many(azimuth, reading[..., 1], station, sigma, sigma)
    assert fixes.solved.all()
    bound = bound_of_height(apex, station, sigma, rows)
    miss = (fixes.position_m[:, 2] - apex[:, 2]) / bound
    assert np.sqrt((miss**2).mean()) < 1.03
    assert abs(miss.mean()) < 0.1
    # The covariance is the bound at the estimate; on average it is the bound at the truth.
    assert np.mean(np.sqrt(fixes.covariance_m2[:, 2, 2]) / bound) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("count", [3, 4, 6])
def test_equally_spaced_elevations_solve_the_drift_exactly_as_least_squares_does(count):
    # The closed form follows from averaging the cones over equally spaced stations; three cones have no redundancy.
    turn = np.arange(count) * 2 * np.pi / count
    station = np.stack([150 * np.sin(turn), 150 * np.cos(turn), 0 * turn], axis=1)
    apex = np.array([25.0, -40.0, 210.0])
    elevation = np.arctan2(apex[2], np.hypot(*(apex - station)[:, :2].T))
    assert equally_spaced_elevations(150.0, turn, elevation) == pytest.approx(apex, abs=1e-9)
    assert fix_many(np.full(count, np.nan), elevation, station, 0.01, 0.01).position_m[0] == pytest.approx(apex, abs=1e-6)


def test_the_mean_of_two_stations_at_right_angles_errs_by_its_expansion_in_the_drift():
    # Expanding h_i = L h / |s_i - d|: h_mean / h = 1 - (dx + dy) / 2L + (dx^2 + dy^2) / 4L^2 for a drift away from both stations.
    baseline, height, drift = 200.0, 150.0, np.array([4.0, 2.0])
    station = np.array([[-baseline, 0.0, 0.0], [0.0, -baseline, 0.0]])
    elevation = np.arctan2(height, np.hypot(*(drift - station[:, :2]).T))
    ratio = mean_of_stations(station, elevation).height_m / height
    # What is left is of third order: (4 / 200)^3 is 8e-6.
    assert ratio == pytest.approx(1 - drift.sum() / (2 * baseline) + (drift @ drift) / (4 * baseline**2), abs=1e-5)
