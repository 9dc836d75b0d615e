"""The adjustment of a whole day, on days made with complex numbers and arc sines, not with the reducer's geometry."""

import numpy as np
import pytest

from apexfix.errors import ReductionError
from apexfix.reduce.adjust import QUANTITIES, adjust_day
from apexfix.reduce.options import Options
from apexfix.reduce.solve import Batch, solve
from apexfix.reduce.uncertainty import Sigmas

DEG = np.pi / 180
THREE = np.array([[150.0, 0.0, 1.5], [-80.0, 130.0, 1.0], [-70.0, -140.0, 2.0]])
HALF = np.array([[200.0, 0.0, 1.0], [0.0, 200.0, 1.0], [-200.0, 0.0, 1.0]])  # half the way round the pad
STATED = {"noise_deg": 0.3, "azimuth_zero_deg": 0.5, "elevation_zero_deg": 0.3, "survey_m": 0.1}


def made(apex_m, station_m, rng, *, noise=0.0, zero_rad=(0.0, 0.0), moved_m=0.0, stated=STATED):
    """Return a day's readings: (F, 3) apexes seen from (N, 3) surveyed places that are really moved_m away."""
    sight = apex_m[:, None] - (station_m + moved_m)
    azimuth = np.angle(sight[..., 1] + 1j * sight[..., 0]) + zero_rad[0]
    elevation = np.arcsin(sight[..., 2] / np.linalg.norm(sight, axis=-1)) + zero_rad[1]
    shape = azimuth.shape
    azimuth, elevation = (angle + noise * stated["noise_deg"] * DEG * rng.normal(size=shape) for angle in (azimuth, elevation))

    def alike(value):
        return np.full(shape, float(value))

    sigmas = Sigmas(
        alike(stated["noise_deg"] * DEG), alike(stated["noise_deg"] * DEG), alike(stated["azimuth_zero_deg"] * DEG),
        alike(stated["elevation_zero_deg"] * DEG), alike(stated["survey_m"]), alike(0.0),
    )  # fmt: skip
    return Batch(tuple("ABCDE"[: len(station_m)]), station_m, np.mod(azimuth, 2 * np.pi), elevation, sigmas)


def apexes(rng, count=6, spread_m=30.0):
    return np.column_stack([rng.normal(0, spread_m, (count, 2)), rng.uniform(100, 250, count)])


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_exact_readings_give_the_exact_apexes_and_no_zeros():
    rng = np.random.default_rng(0)
    truth = apexes(rng)
    day = adjust_day(made(truth, THREE, rng))
    assert np.abs(day.position_m - truth).max() < 1e-6
    assert max(abs(c.value) for c in day.corrections) < 1e-6
    assert not day.flagged


def test_a_zero_is_recovered_exactly_when_nothing_else_is_in_doubt():
    rng = np.random.default_rng(1)
    truth, zero = apexes(rng), np.array([0.0, 0.0, 2 * DEG])
    batch = made(truth, THREE, rng, zero_rad=(zero, 0.0))
    stated = {"noise_deg": 1e-4, "azimuth_zero_deg": 2.0, "elevation_zero_deg": 0.0, "survey_m": 0.0}
    sharp = Batch(batch.stations, THREE, batch.azimuth_rad, batch.elevation_rad, made(truth, THREE, rng, stated=stated).stated)
    day = adjust_day(sharp)
    assert day.azimuth_zero_rad == pytest.approx(zero, abs=1e-6)
    assert np.abs(day.position_m - truth).max() < 1e-4


def test_normalised_errors_of_heights_and_zeros_have_unit_variance():
    rng = np.random.default_rng(2)
    heights, zeros = [], []
    for _ in range(150):
        truth = apexes(rng)
        azimuth, elevation = rng.normal(0, 0.5 * DEG, 3), rng.normal(0, 0.3 * DEG, 3)
        moved = rng.normal(0, STATED["survey_m"], (3, 3))
        day = adjust_day(made(truth, THREE, rng, noise=1.0, zero_rad=(azimuth, elevation), moved_m=moved))
        if day.flagged:
            continue
        heights.append((day.position_m - truth)[:, 2] / np.sqrt(day.covariance_m2[:, 2, 2]))
        sigma = {(c.station, c.quantity): c.sigma for c in day.corrections}
        zeros.append([(day.azimuth_zero_rad[n] - azimuth[n]) / sigma[name, "azimuth zero"] for n, name in enumerate("ABC")])
    assert len(heights) > 120
    # about 135 days, whose heights share their zeros: the standard error of an RMS over them is about 6 %
    assert rms(heights) == pytest.approx(1.0, abs=0.18)
    assert rms(zeros) == pytest.approx(1.0, abs=0.18)


def two_degrees(seed, station_m=THREE):
    """Return a day of six flights of which station C's azimuths are two degrees off, its apexes and its adjustment."""
    rng = np.random.default_rng(seed)
    truth = apexes(rng)
    batch = made(truth, station_m, rng, noise=1.0, zero_rad=(np.array([0.0, 0.0, 2 * DEG]), 0.0))
    return truth, batch, adjust_day(batch)


def errors(days):
    """Return the errors of the positions that each flight gives on its own, and of those of the days: (D, F, 3) each."""
    alone = [solve(batch, Options()).fixes.position_m - truth for truth, batch, _ in days]
    return np.array(alone), np.array([day.position_m - truth for truth, _, day in days])


@pytest.mark.parametrize("station_m", [THREE, HALF])
def test_an_azimuth_two_degrees_off_at_one_of_three_stations_is_found_and_corrected(station_m):
    days = [two_degrees(seed, station_m) for seed in range(40)]
    named = [[(c.station, c.quantity) for c in day.flagged] == [("C", "azimuth zero")] for _, _, day in days]
    assert np.mean(named) >= 0.9
    found = np.array([day.azimuth_zero_rad[2] for _, _, day in days])
    assert np.median(found) / DEG == pytest.approx(2.0, abs=0.2)


def test_correcting_the_azimuth_improves_the_heights_where_they_depend_on_it():
    alone, together = errors([two_degrees(seed, HALF) for seed in range(40)])
    assert rms(together[..., 2]) < 0.85 * rms(alone[..., 2])


def test_correcting_the_azimuth_halves_the_level_error_inside_a_ring_and_leaves_the_heights():
    # inside a ring the heights come from the elevations; the azimuth only pushes the apex sideways
    alone, together = errors([two_degrees(seed) for seed in range(40)])
    assert rms(together[..., :2]) < 0.55 * rms(alone[..., :2])
    assert rms(together[..., 2]) == pytest.approx(rms(alone[..., 2]), rel=0.05)


def test_the_remark_on_a_wrong_zero_names_the_station():
    flagged = next(day for _, _, day in map(two_degrees, range(10)) if day.flagged)
    assert any("azimuth zero of station C" in remark for remark in flagged.remarks)


def test_two_stations_and_flights_straight_over_the_pad_cannot_tell_their_zeros():
    rng = np.random.default_rng(3)
    truth = np.column_stack([np.zeros((6, 2)), np.full(6, 150.0)])
    pair = np.array([[150.0, 0.0, 0.0], [0.0, 150.0, 0.0]])
    day = adjust_day(made(truth, pair, rng, noise=1.0))
    assert not day.flagged
    assert any("cannot tell" in remark for remark in day.remarks)


def test_what_the_data_cannot_tell_keeps_its_stated_sigma():
    rng = np.random.default_rng(4)
    # opposite one another and the pad between them: turning one azimuth moves the apex, and no other reading objects
    pair = np.array([[200.0, 0.0, 0.0], [0.0, 200.0, 0.0]])
    batch = made(apexes(rng, 1), pair, rng, noise=1.0)
    day = adjust_day(batch)
    for c in day.corrections:
        assert c.sigma <= c.prior_sigma * (1 + 1e-9)
        assert c.said == pytest.approx(1 - (c.sigma / c.prior_sigma) ** 2, abs=1e-9)
    assert any("cannot tell" in remark for remark in day.remarks)


def test_a_blunder_that_is_masked_out_changes_nothing():
    rng = np.random.default_rng(5)
    truth = apexes(rng)
    batch = made(truth, THREE, rng, noise=1.0)
    kept = np.ones((6, 3, 2), dtype=bool)
    kept[2, 1] = False
    wrong = batch.elevation_rad.copy()
    wrong[2, 1] += 20 * DEG
    spoiled = Batch(batch.stations, THREE, batch.azimuth_rad, wrong, batch.stated)
    assert adjust_day(spoiled, kept).position_m == pytest.approx(adjust_day(batch, kept).position_m, abs=1e-9)
    assert np.isnan(adjust_day(spoiled, kept).residual_sigmas[2, 1]).all()


def test_a_flight_that_cannot_be_solved_takes_no_part_and_is_told():
    rng = np.random.default_rng(6)
    batch = made(apexes(rng), THREE, rng, noise=1.0)
    kept = np.ones((6, 3, 2), dtype=bool)
    kept[0, 1:] = False
    day = adjust_day(batch, kept)
    assert np.isnan(day.position_m[0]).all()
    assert np.isfinite(day.position_m[1:]).all()
    assert any("1 flights could not" in remark for remark in day.remarks)


def test_a_day_without_a_solvable_flight_is_an_error():
    rng = np.random.default_rng(7)
    batch = made(apexes(rng), THREE, rng)
    with pytest.raises(ReductionError, match="none of 6 flights"):
        adjust_day(batch, np.zeros((6, 3, 2), dtype=bool))


def test_an_azimuth_that_turns_with_all_others_cannot_be_told_from_a_turned_field():
    rng = np.random.default_rng(8)
    truth = apexes(rng, spread_m=1.0)
    day = adjust_day(made(truth, THREE, rng, noise=1.0))
    zeros = [c for c in day.corrections if c.quantity == "azimuth zero"]
    # near the middle of a ring the common turn of the azimuths is all that one closure per flight shows
    assert all(0 < c.said < 0.9 for c in zeros)
    assert {c.quantity for c in day.corrections} == set(QUANTITIES)


DEGENERATE = {
    "in one line": np.array([[100.0, 0.0, 0.0], [-100.0, 0.0, 0.0], [200.0, 0.0, 0.0]]),
    "two at one place": np.array([[100.0, 0.0, 0.0], [100.0, 0.0, 0.0], [0.0, 100.0, 0.0]]),
    "one on the pad": np.array([[0.0, 0.0, 0.0], [100.0, 0.0, 0.0], [0.0, 100.0, 0.0]]),
}


@pytest.mark.parametrize("station_m", DEGENERATE.values(), ids=DEGENERATE)
@pytest.mark.parametrize("spread_m", [0.0, 50.0])
def test_a_degenerate_layout_gives_positions_and_never_a_warning(station_m, spread_m):
    rng = np.random.default_rng(9)
    batch = made(apexes(rng, spread_m=spread_m), station_m, rng, noise=1.0)
    day = adjust_day(batch)
    solved = np.isfinite(day.position_m[:, 0])
    assert solved.any()
    assert (np.linalg.eigvalsh(day.covariance_m2[solved]) > 0).all()


def test_stations_that_all_stand_at_one_place_are_an_error():
    rng = np.random.default_rng(9)
    with pytest.raises(ReductionError, match="none of 6 flights"):
        adjust_day(made(apexes(rng), np.array([[100.0, 0.0, 0.0]] * 3), rng, noise=1.0))


def test_gross_errors_left_in_give_an_answer_that_fails_its_test_or_an_error():
    failed = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        batch = made(apexes(rng), THREE, rng, noise=1.0)
        batch.elevation_rad[1, 0] += 25 * DEG
        try:
            failed += adjust_day(batch).probability < 1e-3
        except ReductionError:
            failed += 1
    assert failed == 20
