"""A whole day: every flight gets a result; the flights help one another; tracks replace presses where they are better."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.errors import ReductionError
from apexfix.model import Exclusion, Flight, Sighting, Site, Station, Track, Verdict
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options
from apexfix.units import DEG

PLACES = {"A": (200.0, 0.0, 1.5), "B": (-100.0, 173.0, 2.0), "C": (-100.0, -173.0, 0.5)}
ZERO = 0.5 * DEG


def site(places=PLACES):
    one = 0.3 * DEG
    return Site("test", tuple(Station(n, np.array(p), 0.05, one, one, 0.3 * DEG, ZERO, None, None) for n, p in places.items()))


def direction(place, apex_m):
    east, north, up = np.asarray(apex_m) - place
    return np.arctan2(east, north), np.arctan2(up, np.hypot(east, north))


def day(count, seed=0, zeros_deg=None, stations="ABC"):
    """Return flights, read with noise, and their apexes; zeros are of azimuths, by station."""
    draw, apexes, flights = np.random.default_rng(seed), [], []
    for number in range(1, count + 1):
        apex = np.array([*draw.normal(0, 20, 2), draw.uniform(120, 280)])
        sightings = []
        for name in stations:
            azimuth, elevation = np.array(direction(PLACES[name], apex)) + draw.normal(0, 0.3 * DEG, 2)
            azimuth += (zeros_deg or {}).get(name, 0.0) * DEG
            sightings.append(Sighting(number, name, None, float(azimuth % (2 * np.pi)), float(elevation)))
        apexes.append(apex)
        flights.append(Flight(number, tuple(sightings)))
    return flights, np.array(apexes)


def test_no_flight_is_dropped_and_their_order_is_kept():
    flights, _ = day(5)
    flights[1] = Flight(7, flights[1].sightings[:1], set_aside=(Exclusion("B", "mark", "pressed twice"),), remarks=("a remark",))
    flights[3] = Flight(4, ())
    results = reduce_day(site(), flights).flights
    assert [result.flight for result in results] == [1, 7, 3, 4, 5]
    assert [result.verdict is Verdict.UNSOLVED for result in results] == [False, True, False, True, False]
    assert results[1].excluded[-1].reason == "pressed twice"
    assert "a remark" in results[1].reasons


def test_a_day_without_flights_is_an_empty_day():
    assert reduce_day(site(), []).flights == ()


def test_flights_seen_by_different_stations_stand_side_by_side():
    flights, apexes = day(6)
    flights = [Flight(f.number, tuple(s for s in f.sightings if s.station != "ABC"[k % 3])) for k, f in enumerate(flights)]
    results = reduce_day(site(), flights).flights
    assert [{r.station for r in result.residuals} for result in results[:2]] == [{"B", "C"}, {"A", "C"}]
    for result, apex in zip(results, apexes, strict=True):
        assert result.position_m == pytest.approx(apex, abs=12)


def test_the_same_day_gives_the_same_answers():
    flights, _ = day(4, seed=3)
    one, other = (reduce_day(site(), flights).flights for _ in range(2))
    assert [r.interval95_m for r in one] == [r.interval95_m for r in other]


def test_a_sighting_of_a_stranger_is_an_error():
    flights, _ = day(1)
    with pytest.raises(ReductionError, match="Z"):
        reduce_day(site(), [Flight(1, (replace(flights[0].sightings[0], station="Z"),))])


def test_an_azimuth_zero_of_three_degrees_is_found_from_six_flights_and_the_positions_improve():
    error = {True: [], False: []}
    for seed in range(5):
        flights, apexes = day(6, seed=seed, zeros_deg={"B": 3.0})
        for whole in error:
            found = reduce_day(site(), flights, Options(whole_day=whole))
            error[whole] += [np.hypot(*(r.position_m - a)[:2]) for r, a in zip(found.flights, apexes, strict=True)]
            if whole:
                assert any("azimuth zero of station B" in remark for remark in found.remarks)
    assert np.sqrt(np.mean(np.square(error[True]))) < np.sqrt(np.mean(np.square(error[False])))


def test_one_blunder_does_not_become_a_zero():
    flights, apexes = day(6, seed=1)
    first = flights[0].sightings
    wrong = replace(first[1], azimuth_rad=first[1].azimuth_rad + 12 * DEG)
    found = reduce_day(site(), [Flight(1, (first[0], wrong, first[2])), *flights[1:]])
    assert [(e.station, e.quantity) for e in found.flights[0].excluded] == [("B", "azimuth")]
    assert not any("look at its backsight" in remark for remark in found.remarks)
    low, high = found.flights[0].interval95_m
    assert low < apexes[0][2] < high


def test_two_stations_stand_alone():
    flights, _ = day(6, stations="AB")
    found = reduce_day(site(), flights)
    assert found.remarks == ()


def test_the_budget_of_a_day_adds_up_in_quadrature():
    flights, _ = day(6, seed=2)
    for result in reduce_day(site(), flights).flights:
        assert np.sqrt(sum(x**2 for x in result.budget_m.values())) == pytest.approx(np.sqrt(result.covariance_m2[2, 2]))


# --- tracks ---------------------------------------------------------------------------------------------------------


def tracked(press_s, sigma_time_s=0.02, level_m=(5.0, 0.0)):
    """Return a flight that drifts and falls as a parabola does, followed exactly, pressed at different instants."""
    t = np.arange(-3.0, 1.0, 0.02)
    path = np.array([10.0, -5.0, 180.0]) + np.stack([level_m[0] * t, level_m[1] * t, -9.80665 / 2 * t**2], axis=1)
    sightings, tracks = [], []
    for (name, place), pressed in zip(PLACES.items(), press_s, strict=True):
        azimuth, elevation = np.array([direction(place, p) for p in path]).T
        stamps = np.round((t + 0.2) * 1e6).astype(np.int64)  # tubes trail by the lag that is expected of them
        at = int(np.argmin(np.abs(t + 0.2 - pressed)))
        tracks.append(Track(1, name, stamps, azimuth, elevation, int(stamps[at]), sigma_time_s))
        sightings.append(
            Sighting(1, name, int(stamps[at]), float(azimuth[at]), float(elevation[at]), sigma_time_s=sigma_time_s, source="unit u")
        )
    return Flight(1, tuple(sightings), tuple(tracks))


def test_tracks_replace_presses_that_all_came_most_of_a_second_late():
    result = reduce_day(site(), [tracked((1.1, 1.0, 1.1))]).flights[0]
    assert result.method == "track fit"
    assert result.position_m[2] == pytest.approx(180.0, abs=0.5)
    assert abs(result.methods["weighted least squares"] - 180.0) > 1.0
    assert result.utc_us is not None
    low, high = result.interval95_m
    assert low < 180.0 < high
    assert result.covariance_m2[2, 2] == pytest.approx(sum(x**2 for x in result.budget_m.values()))


def test_one_track_is_not_an_arc():
    flight = tracked((0.0, 0.0, 0.0))
    result = reduce_day(site(), [replace(flight, tracks=flight.tracks[:1])]).flights[0]
    assert result.method == "weighted least squares"


def test_a_poor_window_falls_back_to_the_presses_and_says_so():
    flight = tracked((0.0, 0.0, 0.0))
    late = slice(-60, None)
    short = tuple(
        replace(t, utc_us=t.utc_us[late], azimuth_rad=t.azimuth_rad[late], elevation_rad=t.elevation_rad[late])
        for t in flight.tracks
    )
    result = reduce_day(site(), [replace(flight, tracks=short)]).flights[0]
    assert result.method == "weighted least squares"
    assert any("the tracks are not used" in reason for reason in result.reasons)
