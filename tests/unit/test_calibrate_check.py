"""The independent check against known heights: it passes an honest calibration and fails one that claims too much."""

import numpy as np
import pytest

from apexfix.calibrate.check import Claim, check
from apexfix.calibrate.field_test import Reading, field_test, two_faces
from apexfix.calibrate.target import Target
from apexfix.errors import CalibrationError
from apexfix.units import DEG

TARGETS = [Target("level", 0.0, 0.02 * DEG), Target("gable", 22.62 * DEG, 0.06 * DEG), Target("tower", 42.0 * DEG, 0.07 * DEG)]
CLAIM = Claim(sigma_reading_rad=0.1 * DEG, sigma_zero_rad=0.05 * DEG)
DAYS = 400


def readings(rng, *, zero=1.0, reading=1.0, shift_deg=0.0):
    """Two sightings of each target by a unit whose errors are so many times what it claims."""
    common = rng.normal(0, zero * CLAIM.sigma_zero_rad) + shift_deg * DEG
    truly = [t.elevation_rad + rng.normal(0, t.sigma_rad) for t in TARGETS]
    return [list(e + common + rng.normal(0, reading * CLAIM.sigma_reading_rad, 2)) for e in truly]


def share_passed(**errors):
    return np.mean([check(TARGETS, readings(rng, **errors), CLAIM).passed for rng in np.random.default_rng(9).spawn(DAYS)])


def test_an_honest_calibration_passes_nineteen_times_in_twenty():
    three_standard_errors = 3 * np.sqrt(0.95 * 0.05 / DAYS)
    assert share_passed() == pytest.approx(0.95, abs=three_standard_errors)


def test_a_calibration_that_is_half_a_degree_off_never_passes():
    # half a degree is ten of the claimed sigmas of the zero
    assert share_passed(shift_deg=0.5) == 0.0


def test_claims_that_are_three_times_too_good_are_found_out():
    assert share_passed(zero=3, reading=3) < 0.35


def test_the_errors_and_the_sigmas_are_those_of_each_target():
    found = check(TARGETS[:2], [[0.1 * DEG, 0.3 * DEG], [22.62 * DEG]], CLAIM)
    assert found.error_rad / DEG == pytest.approx([0.2, 0.0])
    # worked by hand: 0.02^2 + 0.1^2/2 + 0.05^2 and 0.06^2 + 0.1^2 + 0.05^2, in degrees
    assert found.sigma_rad / DEG == pytest.approx([np.sqrt(0.0079), np.sqrt(0.0161)])
    # inverse of the two-by-two covariance with 0.0025 off the diagonal, by hand: 0.2^2 * 0.0161 / (0.0079 * 0.0161 - 0.0025^2)
    assert found.chi2 == pytest.approx(0.04 * 0.0161 / (0.0079 * 0.0161 - 0.0025**2))
    assert found.limit == pytest.approx(5.991, abs=0.001)  # NIST/SEMATECH e-Handbook, table of chi-square: 0.95, 2 degrees


@pytest.mark.parametrize(
    ("targets", "seen", "said"),
    [
        (TARGETS[:1], [[0.0]], "1 targets seen, 2 of known height or more are needed"),
        ([], [], "0 targets seen"),
        (
            [TARGETS[0], Target("mark", None, 0.0)],
            [[0.0], [0.1]],
            "target mark has no known elevation; give its height and distance",
        ),
        (TARGETS[:2], [[0.0], []], "target gable was not sighted"),
    ],
)
def test_what_cannot_be_checked_is_refused_and_says_what_is_missing(targets, seen, said):
    with pytest.raises(CalibrationError, match=said):
        check(targets, seen, CLAIM)


# --- the field test's design ------------------------------------------------------------------------------------------------


def design(sets=3, targets=3):
    return [Reading(s, f"T{t}", face, 0.0, 0.3 * t, 0.4 * t) for s in range(1, sets + 1) for t in range(targets) for face in (1, 2)]


@pytest.mark.parametrize(
    ("sets", "targets", "said"),
    [
        (2, 3, "2 sets of 3 targets seen, 3 sets of 3 targets or more are needed; sight every target upright"),
        (3, 2, "3 sets of 2 targets"),
    ],
)
def test_too_few_sets_or_targets_are_refused(sets, targets, said):
    with pytest.raises(CalibrationError, match=said):
        field_test(design(sets, targets))


def test_a_field_test_with_a_hole_names_the_hole():
    with pytest.raises(CalibrationError, match=r"not sighted: set 2, T1, face 2; a set holds every target in both faces"):
        field_test([r for r in design() if (r.set, r.target, r.face) != (2, "T1", 2)])


def test_the_mean_of_two_faces_holds_across_north():
    mean, half = two_faces(359.0 * DEG, 1.0 * DEG)
    assert np.degrees(mean) % 360 == pytest.approx(0.0, abs=1e-9)
    assert np.degrees(half) == pytest.approx(-1.0)
