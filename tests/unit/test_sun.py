"""Lines of sight and the Sun."""

from datetime import UTC, datetime

import numpy as np
import pytest

from apexfix.sun import separation_rad, sun_angles
from apexfix.units import DEG


def test_the_sun_rises_in_the_east_and_is_down_at_midnight():
    azimuth, elevation = sun_angles(47 * DEG, 0.0, 0.0, datetime(2026, 3, 20, 6, 30, tzinfo=UTC))
    assert 80 < azimuth / DEG < 100
    assert 0 < elevation / DEG < 10
    assert sun_angles(47 * DEG, 0.0, 0.0, datetime(2026, 3, 20, 0, 0, tzinfo=UTC))[1] < 0


@pytest.mark.parametrize(
    ("sight", "apart_deg"),
    [((0, 100, 0), 45.0), ((0, 100, 100), 0.0), ((0, 0, 7), 45.0), ((0, -3, -3), 180.0), ((5, 0, 0), 90.0)],
)
def test_the_angle_to_a_sun_in_the_north_45_degrees_up_is_that_of_the_vectors(sight, apart_deg):
    assert separation_rad(np.array([sight], dtype=float), 0.0, 45 * DEG)[0] / DEG == pytest.approx(apart_deg, abs=1e-6)
