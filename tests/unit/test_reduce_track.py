"""The track fit, on flights that the benchmark integrates with drag and wind and sees by another route than the reducer's."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from apexfix.errors import ReductionError
from apexfix.reduce.arc import ARC, highest, highest_gradient, path
from apexfix.reduce.arc_rows import Setting, normal, rows
from apexfix.reduce.track import TrackPriors, fit_track, fit_tracks, tracked

_PLACE = Path(__file__).parents[2] / "bench" / "track_fit.py"
_SPEC = importlib.util.spec_from_file_location("bench_track_fit", _PLACE)
bench = sys.modules["bench_track_fit"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(bench)

QUIET = bench.Case("quiet", noise_deg=0.3, life_s=0.5)


def seen(seed=0, case=QUIET):
    flight, apex = bench.observed(np.random.default_rng(seed), case, 1)
    return bench.site_of(case), flight.tracks, apex


def cut(track, kept):
    return replace(
        track, utc_us=track.utc_us[kept], azimuth_rad=track.azimuth_rad[kept], elevation_rad=track.elevation_rad[kept]
    )


def exact(path):
    """Return the tracks of a path, given as a function of seconds to (T, 3), followed 0.2 s late by steady hands."""
    tracks = []
    for name, place in bench.PLACES.items():
        times = np.arange(-300, 100) * 0.01
        sight = path(times - 0.2) - np.array(place)
        azimuth = np.mod(np.angle(sight[:, 1] + 1j * sight[:, 0]), 2 * np.pi)
        elevation = np.arcsin(sight[:, 2] / np.linalg.norm(sight, axis=1))
        stamps = bench.EPOCH_US + np.round(times * 1e6).astype(np.int64)
        tracks.append(bench.Track(1, name, stamps, azimuth, elevation, bench.EPOCH_US + 500_000, 0.01))
    return tracks


def coast(times, apex_m, velocity_m_s, apex_s):
    """Return a coast with the drag terms of a slim model, c = 0.02 m/s^4 (63 m/s), and k = 12 c / g^2 on the level part."""
    s = times - apex_s
    v, k = np.array(velocity_m_s), 12 * 0.02 / bench.G**2
    speed = np.hypot(*v)
    level = np.array(apex_m[:2]) + np.outer(s - k * speed * s**2 / 2, v)
    up = apex_m[2] - bench.G / 2 * s**2 + 0.02 * s**3 * np.abs(s) + k * speed * bench.G * s**3 / 6
    return np.column_stack([level, up])


def test_an_exact_coast_gives_its_apex_time_and_velocity():
    # a prior of the velocity that is wide enough to pull by less than the tolerance, and no opening to be looked for
    priors = replace(TrackPriors(), velocity_m_s=1e6, drag_m_s4=0.02, opening_share=1e-12)
    fix = fit_track(bench.site_of(QUIET), exact(lambda t: coast(t, (20.0, -10.0, 180.0), (4.0, 3.0), 0.3)), priors)
    assert fix.position_m == pytest.approx([20.0, -10.0, 180.0], abs=1e-6)
    assert fix.velocity_m_s == pytest.approx([4.0, 3.0], abs=1e-6)
    assert (fix.utc_us - bench.EPOCH_US) / 1e6 == pytest.approx(0.3, abs=2e-6)
    assert fix.usable
    assert [station.offset_s for station in fix.stations] == pytest.approx([-0.2] * 3, abs=1e-6)


@pytest.mark.parametrize("opens_s", [-0.6, -0.3, 0.4])
def test_a_canopy_that_opens_within_the_track_leaves_the_apex_where_the_model_was_highest(opens_s):
    def path(times):
        below = coast(times, (20.0, -10.0, 180.0), (6.0, 3.0), 0.0)
        at, just_before = coast(np.array([opens_s, opens_s - 1e-4]), (20.0, -10.0, 180.0), (6.0, 3.0), 0.0)
        hanging = np.array([1.0, 1.0, -4.0])
        after = np.maximum(times - opens_s, 0.0)[:, None]
        carried = ((at - just_before) / 1e-4 - hanging) * 0.2 * (1 - np.exp(-after / 0.2))
        return np.where(times[:, None] < opens_s, below, at + hanging * after + carried)

    fine = path(np.arange(-100, 100) * 0.01)
    fix = fit_track(bench.site_of(QUIET), exact(path))
    error = fix.position_m - fine[np.argmax(fine[:, 2])]
    # the hands are steady, the fit believes in its usual noise: only what the arc cannot describe is left
    assert np.abs(error / np.sqrt(np.diag(fix.covariance_m2))).max() < 1.5
    assert fix.opened > 0.5 or opens_s > 0  # after the top a descent looks much like an opening


@pytest.mark.parametrize(
    ("case", "least_gain"),
    [
        (bench.Case("steady hands", 0.1, 0.5, aim_deg=0.0), 2.5),
        (bench.Case("short-lived errors", 0.3, 0.2, aim_deg=0.0), 2.0),
        (bench.Case("canopy", 0.1, 0.1, recovery=True, aim_deg=0.0), 2.5),
    ],
)
def test_the_arc_at_least_halves_the_error_of_the_presses_at_a_drift_of_5_m_s(case, least_gain):
    row = bench.run(case, 80)
    assert row["press"] / row["arc"] >= least_gain


@pytest.mark.parametrize(
    "case",
    [
        QUIET,
        bench.Case("short-lived", 0.2, 0.1),
        bench.Case("two stations", stations="AB"),
        bench.Case("zeros", zero_deg=0.3),
        bench.Case("canopy", recovery=True),
    ],
    ids=lambda case: case.name,
)
def test_normalised_errors_have_unit_variance_under_correlated_tracking_errors(case):
    row = bench.run(case, 120, seed=5)
    # 120 flights: the standard error of an RMS is 6.5 %
    assert row["z"] == pytest.approx(1.0, abs=0.2)
    assert row["usable"] > 0.95


def test_a_heading_that_was_carried_badly_is_in_the_sigma_of_every_place():
    rng, off_rad = np.random.default_rng(9), np.radians(2.0)
    case = replace(QUIET, stations="AB")  # two: a third would show which heading is wrong
    squares = {0.0: [], off_rad: []}
    for number in range(60):
        flight, apex = bench.observed(rng, case, number)
        turned = [replace(track, azimuth_rad=track.azimuth_rad + rng.normal(0, off_rad)) for track in flight.tracks]
        for stated, found in squares.items():
            fix = fit_track(bench.site_of(case), [replace(track, sigma_azimuth_zero_rad=stated) for track in turned])
            away = fix.position_m - apex
            found.append(away @ np.linalg.solve(fix.covariance_m2, away) / 3)
    # the mean of 60 sums of three squares has a standard error of 0.105
    assert np.mean(squares[0.0]) > 3.0
    assert np.mean(squares[off_rad]) == pytest.approx(1.0, abs=0.35)


def test_a_lag_common_to_all_moves_the_time_and_not_the_apex():
    site, tracks, _ = seen(3)
    late = [replace(track, utc_us=track.utc_us + 150_000, mark_utc_us=track.mark_utc_us + 150_000) for track in tracks]
    first, second = fit_track(site, tracks), fit_track(site, late)
    assert second.position_m == pytest.approx(first.position_m, abs=1e-3)
    assert second.utc_us - first.utc_us == pytest.approx(150_000, abs=100)


def test_the_order_of_the_tracks_does_not_matter():
    site, tracks, _ = seen(4)
    assert fit_track(site, tracks[::-1]).position_m == pytest.approx(fit_track(site, tracks).position_m, abs=1e-3)


def test_an_observer_who_looked_elsewhere_is_named():
    site, tracks, _ = seen(5)
    swing = 5 * np.pi / 180 * np.sin(np.arange(400) / 8)
    lost = replace(tracks[1], elevation_rad=tracks[1].elevation_rad + swing)
    fix = fit_track(site, [tracks[0], lost, tracks[2]])
    assert not fix.usable
    assert any("station B was not on the model" in reason for reason in fix.reasons)


def test_a_window_that_begins_at_the_apex_is_not_usable():
    site, tracks, _ = seen(6)
    fix = fit_track(site, [cut(track, slice(300, None)) for track in tracks])
    assert not fix.usable
    assert any("before the apex" in reason for reason in fix.reasons)


def test_an_apex_long_after_every_window_is_not_usable():
    site, tracks, _ = seen(7)
    fix = fit_track(site, [cut(track, slice(0, 150)) for track in tracks])
    assert not fix.usable
    assert any("outside of every track" in reason for reason in fix.reasons)


def test_one_station_is_an_error_that_says_what_an_arc_needs():
    site, tracks, _ = seen()
    with pytest.raises(ReductionError, match="two stations or more"):
        fit_track(site, tracks[:1])


def test_a_track_of_a_stranger_is_an_error():
    site, tracks, _ = seen()
    with pytest.raises(ReductionError, match="station Q"):
        fit_track(site, [tracks[0], replace(tracks[1], station="Q")])


@pytest.mark.parametrize("kept", [slice(0, 0), slice(0, 3)])
def test_a_track_of_a_few_samples_is_an_error(kept):
    site, tracks, _ = seen()
    with pytest.raises(ReductionError, match="an arc needs"):
        fit_track(site, [tracks[0], cut(tracks[1], kept)], start_m=np.array([0.0, 0.0, 150.0]))


def test_tubes_that_point_nowhere_near_one_another_give_a_finite_answer_or_an_error():
    site, tracks, _ = seen()
    away = replace(tracks[1], azimuth_rad=np.mod(tracks[1].azimuth_rad + np.pi, 2 * np.pi))
    with pytest.raises(ReductionError, match="do not cross"):
        fit_track(site, [tracks[0], away])
    fix = fit_track(site, [tracks[0], away], start_m=np.array([0.0, 0.0, 150.0]))
    assert not fix.usable
    assert np.isfinite(fix.position_m).all()


def test_missing_samples_are_left_out():
    site, tracks, _ = seen(8)
    holes = tracks[0].elevation_rad.copy()
    holes[50:120] = np.nan
    fix = fit_track(site, [replace(tracks[0], elevation_rad=holes), *tracks[1:]])
    whole = fit_track(site, tracks)
    assert fix.usable
    assert np.abs(fix.position_m - whole.position_m).max() < 3 * np.sqrt(whole.covariance_m2.diagonal().max())


@pytest.mark.parametrize(
    "places",
    [
        {"A": (150.0, 0.0, 1.5), "B": (-150.0, 0.0, 1.5), "C": (300.0, 0.0, 1.5)},
        {"A": (150.0, 0.0, 1.5), "B": (150.0, 0.0, 1.5), "C": (0.0, 150.0, 1.5)},
        {"A": (0.0, 0.0, 1.5), "B": (150.0, 0.0, 1.5), "C": (0.0, 150.0, 1.5)},
    ],
    ids=["in one line", "two at one place", "one on the pad"],
)
def test_a_degenerate_layout_gives_a_finite_answer_and_never_a_warning(places, monkeypatch):
    monkeypatch.setattr(bench, "PLACES", places)
    site, tracks, _ = seen(9)
    fix = fit_track(site, tracks)
    assert np.isfinite(fix.position_m).all()
    assert (np.linalg.eigvalsh(fix.covariance_m2) > 0).all()


def test_stations_that_all_stand_at_one_place_are_an_error(monkeypatch):
    monkeypatch.setattr(bench, "PLACES", dict.fromkeys("ABC", (150.0, 0.0, 1.5)))
    site, tracks, _ = seen(9)
    with pytest.raises(ReductionError, match="do not cross"):
        fit_track(site, tracks)


ARCS = np.array(
    [
        [20.0, -10.0, 180.0, 0.3, 4.0, 3.0, 0.03, 1.0, -2.0, 3.0, 0.0],
        [5.0, 10.0, 90.0, -0.4, 0.5, -7.0, 0.001, 0.0, 1.0, 6.0, 0.02],
        [5.0, 10.0, 90.0, -0.4, 0.5, -7.0, -4.0, 2.0, 1.0, -3.0, 0.1],
    ]
)


def differences(function, at, columns, step=1e-5):
    """Return central differences along the last axis."""
    steps = step * np.eye(at.shape[1])[:columns]
    return np.stack([(function(at + one) - function(at - one)) / (2 * step) for one in steps], axis=-1)


@pytest.mark.parametrize("opened", [False, True])
def test_the_derivatives_of_the_arc_are_those_of_differences(opened):
    times = np.tile(np.linspace(-2.03, 1.97, 41), (len(ARCS), 1))
    by = np.zeros((*times.shape, 3, ARC))
    for column, axes in enumerate(path(ARCS, times, TrackPriors(), opened=opened).by):
        for axis, own in axes.items():
            by[..., axis, column] = own
    expected = differences(lambda arcs: np.stack(path(arcs, times, TrackPriors(), opened=opened).place, axis=-1), ARCS, ARC)
    assert by == pytest.approx(expected, abs=1e-5)
    gradient = highest_gradient(ARCS, TrackPriors(), opened=opened)
    assert gradient == pytest.approx(differences(lambda arcs: highest(arcs, TrackPriors(), opened=opened), ARCS, ARC), abs=1e-4)


def near_an_arc(opened):
    """Return tracks that are ready, their setting, unknowns (1, P) that need not fit, and weights."""
    site, tracks, _ = seen(4)
    ready = tracked(site, tracks)
    at = np.concatenate([ARCS[2:], np.full((1, 9), 0.3)], axis=1)
    return ready, Setting(ready.seen, ready.priors, opened), at, 0.7 * np.ones_like(ready.seen.time_s)


@pytest.mark.parametrize("opened", [False, True])
def test_the_derivatives_of_what_is_seen_are_those_of_differences(opened):
    ready, setting, at, weight = near_an_arc(opened)
    at[0, :3] = ready.start_m
    expected = -differences(lambda unknown: rows(unknown, weight, setting)[:, :, -1], at, at.shape[1])
    every = rows(at, weight, setting)
    for station in range(every.shape[1]):
        own = [*range(ARC), *range(ARC + 3 * station, ARC + 3 * station + 3)]
        others = np.setdiff1d(np.arange(at.shape[1]), own)
        assert every[:, station, :-1] == pytest.approx(np.moveaxis(expected[:, station][..., own], -1, 1), rel=1e-4, abs=1e-3)
        assert not expected[:, station][..., others].any()


@pytest.mark.parametrize("opened", [False, True])
def test_the_normal_equations_are_those_of_all_rows_and_priors(opened):
    ready, setting, at, weight = near_an_arc(opened)
    here = normal(at, weight, setting)
    falling = differences(lambda unknown: normal(unknown, weight, setting).cost, at, at.shape[1])
    assert -2 * here.slope == pytest.approx(falling, rel=1e-4, abs=5e-3)
    assert here.matrix == pytest.approx(here.matrix.transpose(0, 2, 1))
    squares = np.sum(rows(at, weight, setting)[:, :, :ARC] ** 2, axis=(1, 3))
    priors = ready.priors
    believed = 1 / np.square([*[priors.velocity_m_s] * 2, priors.sigma_drag_m_s4, *[priors.recovery_m_s2] * 3, 1.0])
    if not opened:
        assert np.diagonal(here.matrix[0])[4:ARC] == pytest.approx(squares[0, 4:] + believed)
    assert here.matrix[0, 3, 3] == pytest.approx(squares[0, 3] + 3 / ready.priors.press_s**2)


@pytest.mark.parametrize("terminal_m_s", [24.0, 40.0, 75.0])
@pytest.mark.parametrize("delay_s", [-0.8, 0.7, None])
def test_a_bottle_and_a_slim_model_both_come_out_where_they_were_highest(terminal_m_s, delay_s):
    # vertical coast and fall with quadratic drag, closed forms (any text on mechanics); under the canopy at 4 m/s at once
    def path(times):
        w, g = terminal_m_s, bench.G
        s = times - 0.1
        rising = w**2 / g * np.log(np.cos(g * np.minimum(s, 0.0) / w))
        falling = -(w**2) / g * np.log(np.cosh(g * np.maximum(s, 0.0) / w))
        up = 150.0 + rising + falling
        if delay_s is not None:
            opening = 150.0 + w**2 / g * np.log(np.cos(g * delay_s / w) if delay_s < 0 else 1 / np.cosh(g * delay_s / w))
            climb = -w * np.tan(g * delay_s / w) if delay_s < 0 else -w * np.tanh(g * delay_s / w)
            after = np.maximum(s - delay_s, 0.0)
            hung = opening - 4.0 * after + (climb + 4.0) * 0.2 * (1 - np.exp(-after / 0.2))
            up = np.where(s < delay_s, up, hung)
        return np.stack([10.0 + 0 * s, 5.0 + 0 * s, up], axis=1)

    top = path(np.arange(-200, 200) * 0.01)[:, 2].max()
    fix = fit_track(bench.site_of(QUIET), exact(path))
    # no noise: what is left is what the arc believes against what is true. With the drag of one kind of model it was 2.8 sigmas
    assert abs(fix.position_m[2] - top) < np.sqrt(fix.covariance_m2[2, 2])


def test_an_arc_that_air_would_have_to_push_is_not_used():
    # the vertical coast of the module's text with its drag reversed
    def path(times):
        up = 150.0 - bench.G / 2 * times**2 - 0.12 * times**3 * np.abs(times)
        return np.stack([10.0 + 0 * times, 5.0 + 0 * times, up], axis=1)

    fix = fit_track(bench.site_of(QUIET), exact(path))
    assert not fix.usable
    assert "air only slows" in fix.reasons[0]


def test_flights_fitted_together_give_what_each_gives_alone():
    flights = [(site, tracks if k % 2 else tracks[:2]) for k, (site, tracks, _) in enumerate(map(seen, range(5)))]
    site, tracks = flights[1]
    flights[1] = (site, [cut(tracks[0], slice(0, 320)), *tracks[1:]])  # a shorter track than the others'
    together = fit_tracks([tracked(*flight) for flight in flights])
    for flight, fix in zip(flights, together, strict=True):
        alone = fit_track(*flight)
        assert fix.position_m == pytest.approx(alone.position_m, abs=1e-6)
        assert fix.covariance_m2 == pytest.approx(alone.covariance_m2, rel=1e-5)
        assert fix.reasons == alone.reasons


def test_the_fitted_tracks_go_through_the_samples():
    site, tracks, _ = seen(3)
    for own, track in zip(fit_track(site, tracks).stations, tracks, strict=True):
        kept = np.isin(track.utc_us, own.utc_us)
        off = own.elevation_rad - track.elevation_rad[kept]
        # 0.3 degrees of tracking error, some of which the arc follows
        assert 0.1 < np.sqrt(np.mean(off**2)) * 180 / np.pi < 0.4
        assert np.sqrt(np.mean(off**2)) == pytest.approx(own.rms_rad, rel=0.5)
        around = np.mod(own.azimuth_rad - track.azimuth_rad[kept] + np.pi, 2 * np.pi) - np.pi
        assert np.abs(around).max() * 180 / np.pi < 3


def test_the_budget_is_the_sigma_and_follows_what_is_stated():
    site, tracks, _ = seen(3)
    fix = fit_track(site, tracks)
    assert np.sqrt(sum(part**2 for part in fix.budget_m.values())) == pytest.approx(np.sqrt(fix.covariance_m2[2, 2]), rel=1e-6)
    unsure = replace(site, stations=tuple(replace(s, sigma_elevation_zero_rad=0.02, sigma_position_m=0.1) for s in site.stations))
    budget_m = fit_track(unsure, tracks).budget_m
    assert max(budget_m, key=budget_m.get) == "unit zero"
    assert fix.budget_m["survey"] == 0.0 < budget_m["survey"] < 0.2
