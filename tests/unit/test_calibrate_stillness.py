"""Still or not: what passes for a rest, and what a builder is told where nothing does."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.calibrate.imu import carried_calibration
from apexfix.calibrate.stillness import AIM, REST, Samples, rest_around, rests_in, samples_of
from apexfix.errors import CalibrationError

HZ = 100


def stream(*pieces, seed=0, noise=(0.15, 0.004)):
    """Samples of pieces (seconds, force, rate), with the noise of the cheapest part (measured 0.15 deg/s and 4 mg behind 44 Hz)."""
    rng = np.random.default_rng(seed)
    force = np.vstack([np.tile(f, (round(s * HZ), 1)) for s, f, _ in pieces]).astype(float)
    rate = np.vstack([np.tile(r, (round(s * HZ), 1)) for s, _, r in pieces]).astype(float)
    t_us = np.arange(len(force), dtype=np.int64) * (1_000_000 // HZ)
    return Samples(t_us, force + rng.normal(0, noise[1], force.shape), rate + rng.normal(0, noise[0], rate.shape), 21.5)


UP, ASIDE, STILL, SLOW = (0, 0, 1), (0, 1, 0), (0.8, -0.5, 0.2), (20.0, 0, 0)


def test_a_rest_is_the_mean_of_all_of_its_still_time():
    rest = rest_around(stream((5.0, UP, STILL)), 2_500_000)
    assert rest.seconds == pytest.approx(5.0)
    assert rest.force_g == pytest.approx(UP, abs=4 * 0.004 / np.sqrt(500))
    assert rest.rate_dps == pytest.approx(STILL, abs=4 * 0.15 / np.sqrt(500))
    assert rest.temperature_celsius == 21.5


def test_the_sigma_of_a_rest_is_the_scatter_of_its_mean():
    found = [rest_around(stream((4.0, UP, STILL), seed=seed), 2_000_000) for seed in range(60)]
    scatter = np.sqrt(np.mean(np.var([rest.force_g for rest in found], axis=0)))
    stated = np.sqrt(np.mean([rest.sigma_force_g**2 for rest in found]))
    assert stated == pytest.approx(scatter, rel=0.2)


def test_a_rest_reaches_only_as_far_as_the_unit_kept_still():
    moved = stream((3.0, UP, STILL), (1.0, ASIDE, SLOW), (3.5, ASIDE, STILL))
    assert rest_around(moved, 1_000_000).seconds == pytest.approx(3.0, abs=0.25)
    assert [rest.force_g.round(1).tolist() for rest in rests_in(moved)] == [[0.0, 0.0, 1.0], [0.0, 1.0, 0.0]]


def test_a_moving_pose_is_refused_with_what_was_seen_and_what_to_do():
    rng = np.random.default_rng(1)
    shaken = stream((5.0, UP, STILL))
    shaken = Samples(shaken.t_us, shaken.force_g, shaken.rate_dps + rng.normal(0, 8.0, shaken.rate_dps.shape), None)
    with pytest.raises(CalibrationError, match=r"moved at the press: 8\.\d deg/s and 4 mg seen, at most 0\.6 deg/s .* press again"):
        rest_around(shaken, 2_500_000)
    assert rests_in(shaken) == ()


def test_a_pose_that_is_left_too_soon_is_refused():
    with pytest.raises(CalibrationError, match=r"still for 1\.\d s around the press, 2\.0 s are needed; rest it against something"):
        rest_around(stream((1.5, UP, STILL), (2.0, ASIDE, SLOW)), 700_000)


def test_an_even_slow_turn_is_no_rest():
    turning = stream((5.0, UP, STILL))
    ramp = np.linspace(0, 20, len(turning.t_us))[:, None] * [0.0, 0.0, 1.0]
    with pytest.raises(CalibrationError):
        rest_around(Samples(turning.t_us, turning.force_g, turning.rate_dps + ramp, None), 2_500_000)


def test_a_hand_that_aims_is_still_enough_for_a_sighting_but_not_for_a_pose():
    held = stream((5.0, UP, STILL), noise=(1.5, 0.01))
    assert rest_around(held, 2_500_000, AIM).seconds > 1
    with pytest.raises(CalibrationError, match="moved at the press"):
        rest_around(held, 2_500_000, REST)


def test_how_the_tube_came_onto_its_target_does_not_bend_the_sighting():
    # the eye corrects by a quarter of a degree a second for three seconds, then holds for one; pressed half a second before the end
    elevation = np.concatenate([np.linspace(-0.75, 0, 300), np.zeros(150)]) * np.pi / 180
    rng = np.random.default_rng(3)
    force = np.column_stack([np.sin(elevation), np.zeros(450), np.cos(elevation)]) + rng.normal(0, 0.003, (450, 3))
    seen = Samples(np.arange(450, dtype=np.int64) * 10_000, force, rng.normal(0, 0.15, (450, 3)), None)
    rest = rest_around(seen, 4_000_000, AIM)
    # the stretch reaches one second back, when the tube was on its target: only the noise of the mean is left, 0.02 degrees
    assert abs(np.degrees(rest.force_g[0])) < 0.05
    assert rest.seconds <= 2.0


@given(st.sampled_from([0.0, 0.2, 1.0]), st.integers(0, 40))
def test_a_gap_in_the_samples_ends_a_rest_or_is_too_short_to_matter(gap_s, at):
    whole = stream((3.0, UP, STILL), (3.0, UP, STILL))
    t_us = whole.t_us + np.where(np.arange(600) >= 300, round(gap_s * 1e6), 0)
    rest = rest_around(Samples(t_us, whole.force_g, whole.rate_dps, None), at * 50_000)
    assert rest.seconds == pytest.approx(3.0 if gap_s >= 1.0 else 6.0, abs=0.75)


def test_a_press_without_samples_is_refused():
    boot = {"accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5}
    with pytest.raises(CalibrationError, match="no samples came with the press; pull the unit again"):
        samples_of([], carried_calibration(boot))


def test_too_few_samples_are_refused():
    with pytest.raises(CalibrationError, match=r"3 samples in 0\.2 s, too few to judge stillness"):
        rest_around(stream((0.03, UP, STILL)), 0)
