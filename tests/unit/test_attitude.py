"""The attitude room: samples to directions."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from apexfix.attitude import integrated, pointing_of, turned
from apexfix.units import DEG

LEVEL_NORTH = [np.sqrt(0.5), 0.0, 0.0, np.sqrt(0.5)]  # body x along level y: heading 0
TUBE = np.array([1.0, 0.0, 0.0])


def pitched(*elevation_deg):
    """Tube looking along level y (heading 0), pitched up: a turn about body y by minus the elevation."""
    return Rotation.from_quat(LEVEL_NORTH, scalar_first=True) * Rotation.from_euler("y", [[-e * DEG] for e in elevation_deg])


@pytest.mark.parametrize("elevation_deg", [-10.0, 0.0, 45.0, 89.0, 91.0, 100.0])
def test_an_elevation_runs_on_over_the_zenith_with_the_heading_kept(elevation_deg):
    heading, elevation = pointing_of(pitched(elevation_deg).as_quat(scalar_first=True), TUBE)
    assert elevation[0] / DEG == pytest.approx(elevation_deg, abs=1e-9)
    assert np.sin(heading[0]) == pytest.approx(0.0, abs=1e-9)
    assert np.cos(heading[0]) == pytest.approx(1.0)


def test_a_turn_to_the_left_lowers_the_heading():
    # Yaw about body z (up) is counter-clockwise seen from above; azimuths run clockwise.
    left = Rotation.from_quat(LEVEL_NORTH, scalar_first=True) * Rotation.from_euler("z", [[30.0]], degrees=True)
    assert pointing_of(left.as_quat(scalar_first=True), TUBE)[0][0] / DEG == pytest.approx(330.0)


def test_vectors_are_turned_as_a_library_turns_them():
    rotations, vectors = Rotation.random(50, random_state=7), np.random.default_rng(8).normal(size=(50, 3))
    wxyz = rotations.as_quat(scalar_first=True)
    assert turned(wxyz, vectors) == pytest.approx(rotations.apply(vectors), abs=1e-12)
    assert turned(wxyz, TUBE) == pytest.approx(rotations.apply(TUBE), abs=1e-12)


def test_a_constant_rate_integrates_to_the_closed_form_through_an_uneven_gap():
    t_s = np.cumsum([0.0, 0.010, 0.010, 0.055, 0.009, 0.010001]) - 0.0204
    rate = np.tile([0.1, -0.4, 0.7], (len(t_s), 1))
    attitudes = Rotation.from_quat(integrated(t_s[None], rate[None], np.array([LEVEL_NORTH]))[0], scalar_first=True)
    known = Rotation.from_quat(LEVEL_NORTH, scalar_first=True)
    expected = [known * Rotation.from_rotvec(rate[0] * (t - t_s[2])) for t in t_s]
    for found, wanted in zip(attitudes, expected, strict=True):
        assert (found.inv() * wanted).magnitude() < 1e-12


def test_windows_are_integrated_each_for_itself():
    rng = np.random.default_rng(3)
    t_s = np.cumsum(rng.uniform(0.005, 0.02, (4, 33)), axis=1) - 0.2
    rate = rng.normal(0.0, 2.0, (4, 33, 3))
    known = Rotation.random(4, random_state=5).as_quat(scalar_first=True)
    together = integrated(t_s, rate, known)
    for own in range(4):
        alone = slice(own, own + 1)
        assert integrated(t_s[alone], rate[alone], known[alone])[0] == pytest.approx(together[own], abs=1e-12)
        assert together[own, np.argmin(np.abs(t_s[own]))] == pytest.approx(known[own], abs=1e-12)


def test_a_single_sample_is_the_press_itself():
    known = pitched(30.0).as_quat(scalar_first=True)
    found = integrated(np.zeros((1, 1)), np.zeros((1, 1, 3)), known)[0]
    assert pointing_of(found, TUBE)[1][0] / DEG == pytest.approx(30.0)
