"""Stations from metres, tape and compass, latitude and longitude."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.survey import from_geodetic, from_tape, true_azimuth
from apexfix.units import DEG


def test_a_needle_that_points_east_of_north_reads_too_little():
    assert true_azimuth(80 * DEG, 10 * DEG) == pytest.approx(90 * DEG)
    assert true_azimuth(355 * DEG, 10 * DEG) == pytest.approx(5 * DEG)
    assert true_azimuth(5 * DEG, -10 * DEG) == pytest.approx(355 * DEG)


@given(st.floats(-1.5, 1.5), st.floats(-3.1, 3.1), st.floats(0, 3000))
def test_straight_above_the_pad_is_up(latitude_rad, longitude_rad, height_m):
    above = from_geodetic((latitude_rad, longitude_rad, height_m + 50), (latitude_rad, longitude_rad, height_m))
    assert above == pytest.approx([0, 0, 50], abs=1e-6)


@given(st.floats(-1.5, 1.5), st.floats(-3.1, 3.1), st.floats(-1e-4, 1e-4), st.floats(-1e-4, 1e-4))
def test_a_distance_is_the_same_from_both_ends(latitude_rad, longitude_rad, further_rad, along_rad):
    one, other = (latitude_rad, longitude_rad, 100.0), (latitude_rad + further_rad, longitude_rad + along_rad, 130.0)
    there, back = from_geodetic(other, one), from_geodetic(one, other)
    assert np.linalg.norm(there) == pytest.approx(np.linalg.norm(back), abs=1e-6)


def test_the_earth_falls_away_by_the_square_of_the_distance_over_its_diameter():
    far = from_geodetic((45 * DEG, 0.01 * DEG, 0.0), (45 * DEG, 0.0, 0.0))
    assert far[2] == pytest.approx(-(far[0] ** 2) / (2 * 6.388e6), rel=1e-3)  # 6388 km: radius across the meridian at 45 degrees


def test_a_tape_laid_north_leads_north():
    assert from_tape(30, 0, 0) == pytest.approx([0, 30, 0])
