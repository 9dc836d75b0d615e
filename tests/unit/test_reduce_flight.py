"""One flight, also where the layout or the readings are degenerate: a clear verdict, never a NaN, never a warning."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.model import Flight, Sighting, Site, Station, Verdict
from apexfix.reduce.closure import ClosureRule
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options
from apexfix.units import DEG

APEX_M = np.array([15.0, -10.0, 200.0])
TRIANGLE = {"A": (200.0, 0.0, 1.5), "B": (-100.0, 173.0, 2.0), "C": (-100.0, -173.0, 0.5)}


def site(places, **sigmas):
    given = {"sigma_position_m": 0.1} | sigmas
    names = ("sigma_elevation_rad", "sigma_azimuth_rad", "sigma_elevation_zero_rad", "sigma_azimuth_zero_rad")
    own = [given["sigma_position_m"], *(given.get(name, 0.5 * DEG) for name in names)]
    return Site("test", tuple(Station(name, np.array(place), *own, None, None) for name, place in places.items()))


def sighting(name, place, apex_m=APEX_M, azimuth=True):
    """What a perfect observer reads, by the school formula."""
    east, north, up = np.asarray(apex_m) - place
    bearing = float(np.arctan2(east, north) % (2 * np.pi)) if azimuth else None
    return Sighting(1, name, None, bearing, float(np.arctan2(up, np.hypot(east, north))))


def reduced(places, options=None, azimuth=True, change=None, **sigmas):
    sightings = [sighting(name, place, azimuth=azimuth) for name, place in places.items()]
    if change:
        sightings = [change(s) for s in sightings]
    return reduce_day(site(places, **sigmas), [Flight(1, tuple(sightings))], options or Options()).flights[0]


def turned(station, azimuth_deg=0.0, elevation_deg=0.0):
    def change(s):
        if s.station != station:
            return s
        return Sighting(s.flight, s.station, None, s.azimuth_rad + azimuth_deg * DEG, s.elevation_rad + elevation_deg * DEG)

    return change


@pytest.mark.parametrize("azimuth", [True, False])
def test_perfect_readings_give_the_apex(azimuth):
    result = reduced(TRIANGLE, azimuth=azimuth)
    assert result.position_m == pytest.approx(APEX_M, abs=1e-4)
    low, high = result.interval95_m
    assert low < APEX_M[2] < high
    assert all(abs(x) < 1e-6 for r in result.residuals for x in (r.azimuth_rad, r.elevation_rad) if x is not None)


def test_the_budget_adds_up_in_quadrature_to_the_sigma():
    result = reduced(TRIANGLE)
    assert set(result.budget_m) == {"pointing", "unit zero", "survey", "timing"}
    assert np.sqrt(sum(share**2 for share in result.budget_m.values())) == pytest.approx(np.sqrt(result.covariance_m2[2, 2]))


def test_a_wrong_azimuth_is_left_out_named_and_the_height_stands():
    result = reduced(TRIANGLE, change=turned("B", azimuth_deg=15))
    assert [(e.station, e.quantity) for e in result.excluded] == [("B", "azimuth")]
    assert "+15.0" in result.excluded[0].reason
    assert result.position_m == pytest.approx(APEX_M, abs=1e-4)
    assert next(r for r in result.residuals if r.station == "B").azimuth_rad == pytest.approx(15 * DEG, abs=1e-3)


def test_an_azimuth_read_from_the_wrong_end_is_left_out():
    result = reduced(TRIANGLE, change=turned("C", azimuth_deg=180))
    assert [(e.station, e.quantity) for e in result.excluded] == [("C", "azimuth")]
    assert result.position_m == pytest.approx(APEX_M, abs=1e-4)


def test_two_stations_that_miss_each_other_are_rejected_and_told_that_neither_can_be_named():
    places = {name: TRIANGLE[name] for name in "AB"}
    result = reduced(places, change=turned("B", elevation_deg=-25))
    assert result.verdict is Verdict.REJECTED
    assert result.excluded == ()
    assert any("never named" in reason for reason in result.reasons)
    assert "disagreement" in result.budget_m
    low, high = result.interval95_m
    assert low < APEX_M[2] < high  # widened to match


@pytest.mark.parametrize(("apex_m", "wrong_deg"), [((-40.0, 0.0, 150.0), 50), ((-40.0, 0.0, 200.0), 49)])
def test_two_opposite_blunders_that_put_the_apex_at_a_station_do_not_look_certain(apex_m, wrong_deg):
    places = {name: TRIANGLE[name] for name in "AB"}
    turn = {"A": -wrong_deg * DEG, "B": wrong_deg * DEG}
    right = [sighting(name, place, apex_m) for name, place in places.items()]
    wild = tuple(replace(s, elevation_rad=s.elevation_rad + turn[s.station]) for s in right)
    zeros = dict.fromkeys(("sigma_elevation_zero_rad", "sigma_azimuth_zero_rad"), 0.3 * DEG)
    result = reduce_day(site(places, sigma_position_m=0.05, **zeros), [Flight(1, wild)]).flights[0]
    assert result.verdict is Verdict.REJECTED
    low, high = result.interval95_m
    # at a station every line of sight of it passes, and the likelihood knows a height to millimetres
    assert high - low > np.sqrt(result.covariance_m2[2, 2])


# --- more than one explanation --------------------------------------------------------------------------------------


def one_wild(draw):
    """Return what three stations read with noise, one reading wild, and the true height."""
    apex = np.array([*draw.normal(0, 25, 2), draw.uniform(100, 280)])
    wild = turned("ABC"[draw.integers(3)], *(draw.permutation([0.0, draw.choice([-1, 1]) * draw.uniform(3, 10)])))
    read = [wild(sighting(name, place, apex)) for name, place in TRIANGLE.items()]
    noise = draw.normal(0, 0.4 * DEG, (3, 2))
    return tuple(
        replace(s, azimuth_rad=float(s.azimuth_rad + azimuth), elevation_rad=float(s.elevation_rad + elevation))
        for s, (azimuth, elevation) in zip(read, noise, strict=True)
    ), apex[2]


@pytest.fixture(scope="module")
def left_open():
    """The results of those of 200 flights with a wild reading that leave open which it is, with their true heights."""
    draw = np.random.default_rng(3)
    seen = [one_wild(draw) for _ in range(200)]
    one = 0.3 * DEG
    own = site(TRIANGLE, sigma_elevation_rad=one, sigma_azimuth_rad=one, sigma_elevation_zero_rad=one, sigma_azimuth_zero_rad=one)
    flights = [Flight(number, tuple(replace(s, flight=number) for s in read)) for number, (read, _) in enumerate(seen, 1)]
    results = reduce_day(own, flights, Options(whole_day=False)).flights
    told = zip(results, (truth for _, truth in seen), strict=True)
    return [pair for pair in told if any("another choice of wrong readings" in reason for reason in pair[0].reasons)]


def test_the_sigma_of_a_flight_that_is_open_about_which_reading_is_wrong_holds_the_truth_like_its_interval(left_open):
    assert len(left_open) >= 8
    z = np.array([(result.position_m[2] - truth) / np.sqrt(result.covariance_m2[2, 2]) for result, truth in left_open])
    assert np.abs(z).max() < 3  # up to 10 by the sigma of the likelier explanation alone
    assert all(result.interval95_m[0] <= truth <= result.interval95_m[1] for result, truth in left_open)


def test_the_budget_of_such_a_flight_names_the_question_and_adds_up(left_open):
    for result, _ in left_open:
        assert result.budget_m["which reading is wrong"] >= 0
        assert np.sqrt(sum(share**2 for share in result.budget_m.values())) == pytest.approx(np.sqrt(result.covariance_m2[2, 2]))
        assert np.linalg.eigvalsh(result.covariance_m2).min() > 0


def test_two_stations_say_what_they_cannot_see():
    places = {name: TRIANGLE[name] for name in "AB"}
    result = reduced(places)
    assert result.verdict is Verdict.ACCEPTED
    assert any("azimuth at A from" in reason and "elevation at B from" in reason for reason in result.reasons)


def test_two_elevations_lean_on_the_drift_and_say_how_much():
    places = {name: TRIANGLE[name] for name in "AB"}
    result = reduced(places, azimuth=False)
    assert result.verdict is Verdict.DOUBTFUL
    assert result.method == "weighted least squares with a drift prior"
    assert any("assumed about the drift" in reason for reason in result.reasons)
    assert result.budget_m["drift prior"] > result.budget_m["pointing"]
    low, high = result.interval95_m
    assert low < APEX_M[2] < high


def test_one_station_is_unsolved_and_its_height_without_drift_is_shown():
    result = reduced({"A": TRIANGLE["A"]})
    assert result.verdict is Verdict.UNSOLVED
    assert result.position_m is None
    assert "two stations" in result.reasons[0]
    assert result.methods["single station"] == pytest.approx(1.5 + 200 * 198.5 / np.hypot(185, 10))


def test_one_station_answers_with_the_drift_prior_when_asked_and_is_doubtful():
    result = reduced({"A": TRIANGLE["A"]}, Options(single_station=True))
    assert result.verdict is Verdict.DOUBTFUL
    low, high = result.interval95_m
    assert low < APEX_M[2] < high
    assert high - low > 50


def test_a_model_that_passed_overhead_is_solved_with_an_elevation_beyond_ninety():
    over = {"A": (200.0, 0.0, 1.5), "B": (-100.0, 173.0, 2.0), "C": (20.0, 10.0, 1.5)}
    east, north, up = APEX_M - over["C"]
    elevation = np.arctan2(up, np.hypot(east, north))

    def followed(s):
        if s.station != "C":
            return s
        return Sighting(1, "C", None, (s.azimuth_rad + np.pi) % (2 * np.pi), float(np.pi - elevation))

    result = reduced(over, change=followed)
    assert elevation > 83 * DEG
    assert result.position_m == pytest.approx(APEX_M, abs=1e-4)
    assert result.excluded == ()


def test_the_gap_rule_measures_the_gap_between_the_lines_of_sight():
    places = {"A": (0.0, 0.0, 0.0), "B": (300.0, 0.0, 0.0)}
    # 300 m base, elevations 50 and 47 degrees, base angles 60 and 55 degrees: heights 323.1443 and 307.4116 m where the azimuths
    # cross, and lines of sight that pass 9.3786 m apart at 314.3581 m (computed in closed form)
    sightings = (Sighting(1, "A", None, 30 * DEG, 50 * DEG), Sighting(1, "B", None, 325 * DEG, 47 * DEG))
    flight = [Flight(1, sightings)]
    mean, gap = (
        reduce_day(site(places), flight, Options(closure_rule=rule)).flights[0] for rule in (ClosureRule.MEAN, ClosureRule.GAP)
    )
    assert mean.closure_percent == pytest.approx(4.990, abs=5e-3)
    assert gap.closure_percent == pytest.approx(2.983, abs=5e-3)


DEGENERATE = {
    "one place": {"A": (200.0, 0.0, 1.5), "B": (200.0, 0.0, 1.5)},
    "in line with the plane of the apex": {"A": (200.0, -10.0, 1.5), "B": (400.0, -10.0, 1.5), "C": (-300.0, -10.0, 1.5)},
    "a station on the pad": {"A": (0.0, 0.0, 0.0), "B": (200.0, 0.0, 1.5)},
    "a station under the apex": {"A": (15.0, -10.0, 0.0), "B": (200.0, 0.0, 1.5)},
    "one station": {"A": (200.0, 0.0, 1.5)},
    "side by side": {"A": (200.0, 0.0, 1.5), "B": (200.0, 1.0, 1.5)},
}


@pytest.mark.parametrize("azimuth", [True, False])
@pytest.mark.parametrize("places", DEGENERATE.values(), ids=DEGENERATE)
def test_degenerate_layouts_get_a_verdict_with_finite_figures(places, azimuth):
    result = reduced(places, azimuth=azimuth)
    assert result.reasons
    assert "nan" not in " ".join(result.reasons)
    assert np.isfinite(list(result.methods.values())).all()
    if result.verdict is Verdict.UNSOLVED:
        assert result.position_m is None
    else:
        assert np.isfinite([*result.position_m, *result.interval95_m, *result.budget_m.values()]).all()
        assert result.interval95_m[0] <= APEX_M[2] <= result.interval95_m[1]


def test_parallel_lines_of_sight_are_named():
    places = {"A": (200.0, 0.0, 1.5), "B": (200.0, 1.0, 1.5)}
    result = reduced(places)
    assert result.verdict is Verdict.UNSOLVED
    assert "A and B" in result.reasons[0]
    assert "parallel" in result.reasons[0]


def test_a_flight_that_nobody_read_is_unsolved():
    result = reduce_day(site(TRIANGLE), [Flight(1, ())]).flights[0]
    assert result.verdict is Verdict.UNSOLVED
