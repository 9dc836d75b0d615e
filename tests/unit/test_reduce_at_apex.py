"""What bears an arc out, on flights of which the truth is known: integrated with drag and wind, seen by another route."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

from apexfix.model import Flight, Sighting, Track, Verdict
from apexfix.reduce.at_apex import Arc, at_apex
from apexfix.reduce.day import batch_of, reduce_day
from apexfix.reduce.observe import Defaults, observe
from apexfix.reduce.track import fit_track, tracked

_PLACE = Path(__file__).parents[2] / "bench" / "track_verdict.py"
_SPEC = importlib.util.spec_from_file_location("bench_track_verdict", _PLACE)
bench = sys.modules["bench_track_verdict"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(bench)

DEG = np.pi / 180
PLACES = bench.track_fit.PLACES
APEX_M = np.array([10.0, -5.0, 180.0])


def likely(count, share):
    """Return the numbers that so many draws stay between, but for one day in a thousand."""
    return binom.interval(0.999, count, share)


@pytest.fixture(scope="module", params=["AB", "ABC"])
def clean(request):
    """The stations, the results of sixty flights and what their arcs say of the zeros."""
    names, (seen, _) = request.param, bench.flights(60, request.param)
    return names, reduce_day(bench.site_of(names), seen, bench.ALONE).flights, bench.zero_checks(names, seen)


def test_zeros_as_stated_are_called_improbable_as_rarely_as_that(clean):
    names, _, checks = clean
    p = np.array([check.probability for check in checks])
    assert np.sum(p < 0.05) <= likely(60, 0.05)[1]
    if names == "AB":  # one check only, and its probability is exact
        assert np.sum(p < 0.5) >= likely(60, 0.5)[0]


def test_clean_flights_stay_accepted(clean):
    _, results, _ = clean
    # three tests of one in a hundred each, and the sporting rule
    assert sum(r.verdict is not Verdict.ACCEPTED for r in results) <= likely(60, 0.04)[1]
    assert all(r.method == "track fit" for r in results)


def test_an_accepted_page_says_nowhere_that_something_is_wrong(clean):
    _, results, _ = clean
    for result in results:
        if result.verdict is Verdict.ACCEPTED:
            judged = [reason for reason in result.reasons if not reason.startswith("presses as they were made")]
            assert not any(words in reason for reason in judged for words in ("disagree", "is wrong", "does not close"))


def test_two_stations_of_which_one_reads_three_degrees_too_high_are_not_accepted():
    seen, apexes = bench.flights(40, "AB", fault_deg=3.0)
    results = reduce_day(bench.site_of("AB"), seen, bench.ALONE).flights
    assert sum(r.verdict is Verdict.ACCEPTED for r in results) <= 4
    z = [(r.position_m[2] - apex[2]) / np.sqrt(r.covariance_m2[2, 2]) for r, apex in zip(results, apexes, strict=True)]
    assert np.sqrt(np.mean(np.square(z))) < 4  # 7 by the sigmas of tracks that agree


def test_with_three_stations_the_zero_that_is_wrong_is_named_and_its_size_told():
    seen, _ = bench.flights(20, "ABC", fault_deg=3.0)
    checks = bench.zero_checks("ABC", seen)
    assert sum((check.station, check.quantity) == ("A", "elevation") for check in checks) >= 18
    assert np.median([check.value_rad for check in checks]) == pytest.approx(3.0 * DEG, abs=0.3 * DEG)
    assert all(check.nameable for check in checks)


def test_presses_that_are_open_about_which_is_wrong_keep_the_arc_from_their_place():
    seen, _ = bench.flights(20, "ABC", fault_deg=2.0)
    results = reduce_day(bench.site_of("ABC"), seen, bench.ALONE).flights
    open_ones = [r for r in results if any("stand beside" in reason and "leave open" in reason for reason in r.reasons)]
    assert open_ones
    assert all(r.verdict is not Verdict.ACCEPTED and r.method != "track fit" for r in open_ones)


# --- a coast that is known exactly ----------------------------------------------------------------------------------


def exact(press_s, stations="ABC"):
    """Return a coast with a drift, followed 0.2 s late by steady hands; each press shows it so long after the apex."""
    time_s = np.arange(-300, 151) * 0.01
    fallen_m = bench.track_fit.G / 2 * time_s**2 - 0.02 * time_s**3 * np.abs(time_s)  # drag at a terminal speed of 60 m/s
    path = APEX_M + np.stack([5 * time_s, 0 * time_s, -fallen_m], axis=1)
    sightings, tracks = [], []
    for name, pressed in zip(stations, press_s, strict=True):
        sight = path - np.array(PLACES[name])
        azimuth = np.mod(np.angle(sight[:, 1] + 1j * sight[:, 0]), 2 * np.pi)
        elevation = np.arcsin(sight[:, 2] / np.linalg.norm(sight, axis=1))
        stamps = bench.track_fit.EPOCH_US + np.round((time_s + 0.2) * 1e6).astype(np.int64)
        n = int(np.argmin(np.abs(time_s - pressed)))
        at = int(stamps[n])
        tracks.append(Track(1, name, stamps, azimuth, elevation, at, 0.02))
        sightings.append(Sighting(1, name, at, float(azimuth[n]), float(elevation[n]), sigma_time_s=0.02, source="unit"))
    return Flight(1, tuple(sightings), tuple(tracks))


def carried(flight, site):
    tracks = tracked(site, flight.tracks)
    return at_apex(batch_of([observe(site, flight, Defaults())]), flight.sightings, Arc(tracks, fit_track(site, flight.tracks)))


def test_a_press_is_carried_to_what_its_station_would_have_read_at_the_apex():
    late = 1.0, -0.4, 0.2
    own = carried(exact(late), bench.site_of("ABC"))
    for n, (name, late_s) in enumerate(zip("ABC", late, strict=True)):
        east, north, up = APEX_M - np.array(PLACES[name])
        # the first sees a fall of 4.9 m, 0.8 degrees; 0.2 degrees are 0.8 m, which is what such an arc knows of its height
        assert own.batch.elevation_rad[0, n] == pytest.approx(np.arcsin(up / np.hypot(np.hypot(east, north), up)), abs=0.2 * DEG)
        assert own.batch.azimuth_rad[0, n] % (2 * np.pi) == pytest.approx(np.angle(north + 1j * east) % (2 * np.pi), abs=0.3 * DEG)
        assert own.late_s[name] == pytest.approx(late_s, abs=0.1)
    assert own.off is None


def test_a_zero_common_to_press_and_track_does_not_part_them():
    flight = exact((0.3, 0.0, 0.1))
    off = Flight(1, bench.raised(flight.sightings, "A", 4 * DEG), bench.raised(flight.tracks, "A", 4 * DEG))
    assert carried(off, bench.site_of("ABC")).off is None


def test_a_press_apart_from_its_own_track_is_named():
    flight = exact((0.3, 0.0, 0.1))
    own = carried(replace(flight, sightings=bench.raised(flight.sightings, "B", -4 * DEG)), bench.site_of("ABC"))
    assert (own.off.station, own.off.quantity) == ("B", "elevation")
    assert own.off.value_rad == pytest.approx(-4 * DEG, abs=0.2 * DEG)


def test_a_press_without_a_time_stays_as_it_was_read():
    flight = exact((1.0, 0.0, 0.1))
    untimed = replace(flight.sightings[0], utc_us=None)
    own = carried(replace(flight, sightings=(untimed, *flight.sightings[1:])), bench.site_of("ABC"))
    assert own.batch.elevation_rad[0, 0] == untimed.elevation_rad
    assert set(own.late_s) == {"B", "C"}


def test_a_late_press_of_one_of_two_stations_is_explained_by_the_arc():
    flight, site = exact((0.0, 1.4), "BC"), bench.site_of("BC")
    assert reduce_day(site, [replace(flight, tracks=())]).flights[0].verdict is Verdict.REJECTED
    result = reduce_day(site, [flight]).flights[0]
    assert result.verdict is Verdict.ACCEPTED
    assert result.position_m[2] == pytest.approx(APEX_M[2], abs=1.0)
    assert any("because they show the model 0.0 s" in r and "1.4 s after its apex (C)" in r for r in result.reasons)


def test_an_early_end_of_the_track_leaves_the_other_presses_to_be_carried():
    flight = exact((1.0, 0.0, 0.1))
    track = flight.tracks[0]
    before = track.utc_us < track.mark_utc_us - 600_000
    short = replace(
        track, utc_us=track.utc_us[before], azimuth_rad=track.azimuth_rad[before], elevation_rad=track.elevation_rad[before]
    )
    own = carried(replace(flight, tracks=(short, *flight.tracks[1:])), bench.site_of("ABC"))
    assert set(own.late_s) == {"B", "C"}


# --- a zero that the presses of a day make up -----------------------------------------------------------------------


def test_an_observer_who_is_always_a_second_late_is_no_zero():
    late, site = [replace(exact((0.0, 1.0, 0.0)), number=number) for number in range(1, 9)], bench.site_of("ABC")
    by_presses = reduce_day(site, [replace(flight, tracks=()) for flight in late])
    assert any("look at its backsight" in remark for remark in by_presses.remarks)
    assert abs(by_presses.flights[0].position_m[2] - APEX_M[2]) > 4
    day = reduce_day(site, late)
    assert any("the tracks do not; presses that come late look like that" in remark for remark in day.remarks)
    assert not any("look at its backsight" in remark for remark in day.remarks)
    assert all(flight.position_m == pytest.approx(APEX_M, abs=0.5) for flight in day.flights)


def test_a_zero_that_the_tracks_share_is_one():
    seen, _ = bench.flights(8, "ABC", fault_deg=2.0, seed=4)
    day = reduce_day(bench.site_of("ABC"), seen)
    assert any("the elevation zero of station A" in remark and "look at" in remark for remark in day.remarks)
    assert not any("presses that come late" in remark for remark in day.remarks)
