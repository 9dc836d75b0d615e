"""What a layout promises is what the least squares reports and what plane trigonometry says."""

import numpy as np
import pytest

from apexfix.geometry import angles
from apexfix.plan.accuracy import Readings, expected_sigma, height_sigma, redundancy
from apexfix.reduce import HorizontalPrior, fix_many
from apexfix.units import DEG

SIGMA = 0.1 * DEG
OVER_THE_PAD = np.array([[0.0, 0.0, 100.0]])
NO_DRIFT = HorizontalPrior(np.zeros(2), 1e-10 * np.eye(2))


def ring(bearings_deg, distance_m):
    turn = np.asarray(bearings_deg) * DEG
    return np.stack([distance_m * np.sin(turn), distance_m * np.cos(turn), np.zeros(len(turn))], axis=-1)


def share(bearings_deg, ratio, azimuths, prior=None):
    readings = Readings(SIGMA, SIGMA if azimuths else None)
    return expected_sigma(ring(bearings_deg, 100 * ratio), OVER_THE_PAD, readings, prior) / (100 * SIGMA)


# Derived here, with q = L / h: h = L tan E, so one elevation gives dh / h = (q + 1 / q) dE. Stations at equal distance see the
# height and the drift along their own bearing; N evenly spread ones average the first to (q + 1 / q) / sqrt N. Two whose bearings
# differ by phi leave the drift along the bisector to the azimuths, each of which moves the point by L dA across its line:
# (q + 1 / q)^2 / 2 + cot^2(phi / 2) / 2. The table has two decimals, and 2 / sqrt 3 = 1.1547 rounded up.
@pytest.mark.parametrize(
    ("ratio", "one", "square", "opposite", "three"),
    [
        (0.2, 5.20, 3.74, 3.68, 3.00),
        (0.5, 2.50, 1.90, 1.77, 1.44),
        (1.0, 2.00, 1.58, 1.41, 1.16),
        (2.0, 2.50, 1.90, 1.77, 1.44),
        (4.0, 4.25, 3.09, 3.01, 2.45),
    ],
)
def test_the_sigmas_over_the_pad_are_those_of_the_closed_forms(ratio, one, square, opposite, three):
    steep = ratio + 1 / ratio
    assert share([0], ratio, False, NO_DRIFT) == pytest.approx(steep, rel=1e-4)
    assert share([10, 100], ratio, True) == pytest.approx(np.sqrt(steep**2 / 2 + 1 / 2), rel=1e-4)
    assert share([10, 190], ratio, True) == pytest.approx(steep / np.sqrt(2), rel=1e-4)
    assert share([5, 125, 245], ratio, True) == pytest.approx(steep / np.sqrt(3), rel=1e-4)
    assert share([5, 125, 245], ratio, False) == pytest.approx(steep / np.sqrt(3), rel=1e-4)
    found = [share([0], ratio, False, NO_DRIFT), share([0, 90], ratio, True), share([0, 180], ratio, True)]
    assert [*found, share([0, 120, 240], ratio, False)] == pytest.approx([one, square, opposite, three], abs=0.006)


def test_a_drifted_apex_has_the_sigma_of_a_numerical_jacobian():
    # Independent of the reducer: central differences of plain arctangents, and the inverse of the normal matrix by numpy.
    station, apex, step = ring([20, 150], 90.0), np.array([30.0, -20.0, 120.0]), 1e-4

    def looks(point):
        east, north, up = (point - station).T
        return np.concatenate([np.arctan2(east, north), np.arctan2(up, np.hypot(east, north))])

    jacobian = np.stack([(looks(apex + d) - looks(apex - d)) / (2 * step) for d in step * np.eye(3)], axis=-1)
    weight = np.repeat([1 / (2 * SIGMA), 1 / SIGMA], 2)[:, None]
    expected = np.sqrt(np.linalg.inv((weight * jacobian).T @ (weight * jacobian))[2, 2])
    # away from the zenith the reducer's azimuth blurs by the sigma of an elevation squared: 3e-6
    assert height_sigma(station, apex[None], Readings(SIGMA, 2 * SIGMA), None)[0] == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("azimuths", [True, False])
def test_the_promise_is_the_covariance_that_the_least_squares_reports(azimuths):
    station = np.array([[80.0, 10.0, 1.5], [-60.0, 70.0, 1.5], [-20.0, -95.0, 1.5]])
    apex = np.array([[0.0, 0.0, 90.0], [25.0, -10.0, 140.0], [78.0, 12.0, 110.0]])
    prior = HorizontalPrior(np.array([5.0, 0.0]), np.diag([400.0, 900.0]))
    azimuth, elevation = angles(apex[:, None] - station)
    read = azimuth if azimuths else np.full_like(azimuth, np.nan)
    # the readings of an apex at the prior's mean are perfect for it; elsewhere the prior pulls the fix, so it is weighed out here
    for belief in (None, prior):
        own = apex if belief is None else np.array([[5.0, 0.0, 90.0], [5.0, 0.0, 140.0]])
        azimuth, elevation = angles(own[:, None] - station)
        read = azimuth if azimuths else np.full_like(azimuth, np.nan)
        fixes = fix_many(read, elevation, station, 1.5 * DEG, 1.0 * DEG, prior=belief)
        told = height_sigma(station, own, Readings(1.0 * DEG, 1.5 * DEG if azimuths else None), belief)
        assert told == pytest.approx(np.sqrt(fixes.covariance_m2[:, 2, 2]), rel=1e-6)


def test_two_opposite_stations_cannot_notice_a_wrong_elevation():
    # Two elevations and what is left of two azimuths for three unknowns: height and drift along the line take both elevations.
    part = redundancy(ring([0, 180], 100.0), OVER_THE_PAD, Readings(SIGMA, SIGMA), None)
    assert part[:, 1] == pytest.approx([0.0, 0.0], abs=1e-6)
    assert part.sum() == pytest.approx(1.0, abs=1e-6)  # readings less unknowns: 4 - 3


def test_redundancies_add_up_to_the_readings_less_the_unknowns():
    part = redundancy(ring([0, 100, 230], 90.0), np.array([[10.0, 5.0, 80.0]]), Readings(SIGMA, 2 * SIGMA), None)
    assert part.sum() == pytest.approx(6 - 3)
