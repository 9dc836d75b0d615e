"""Do published conversions agree with ours?"""

import numpy as np
import pytest

from apexfix.geometry import direction
from apexfix.survey import from_geodetic, from_tape, geocentric
from apexfix.units import DEG


def radians(latitude_deg, longitude_deg, height_m):
    return latitude_deg * DEG, longitude_deg * DEG, height_m


def test_earth_centred_coordinates_agree_with_the_manual_of_a_geodesy_tool():
    # CartConvert(1), manual page of GeographicLib 1.21 to 2.7, section EXAMPLES; printed to a centimetre
    assert geocentric(*radians(33.3, 44.4, 6000)) == pytest.approx([3816209.60, 3737108.55, 3485109.57], abs=0.006)


def test_local_coordinates_agree_with_the_manual_of_a_geodesy_tool():
    # the same page. The last figure is 5783.645, printed as .64 there: a whole centimetre of tolerance
    local = from_geodetic(radians(33.3, 44.4, 6000), radians(33, 44, 20))
    assert local == pytest.approx([37288.97, 33374.29, 5783.64], abs=0.01)


def test_local_coordinates_agree_with_a_published_sighting():
    # The test vector of the pymap3d project (its tests/test_enu.py and test_aer.py; "outcomes from matlab" in their first version):
    # 1000 m along azimuth 33, elevation 70 from 42 N 82 W 200 m ends at 42.002582, -81.997752, 1139.7018 m, which is
    # 186.277521 east, 286.842228 north, 939.692621 up. A microdegree is 0.11 m.
    local = from_geodetic(radians(42.002582, -81.997752, 1139.7018), radians(42, -82, 200))
    assert local == pytest.approx([186.277521, 286.842228, 939.692621], abs=0.06)
    assert 1000 * direction(33 * DEG, 70 * DEG) == pytest.approx([186.277521, 286.842228, 939.692621], abs=1e-5)


def test_a_degree_of_latitude_and_of_longitude_have_the_lengths_of_the_tables():
    # Lengths of a degree on WGS 84 at 45 degrees: 111 131.7 m and 78 846.8 m (from memory; printed in many atlases)
    step = 1e-4
    north = from_geodetic(radians(45 + step, 7, 0), radians(45, 7, 0))[1] / step
    east = from_geodetic(radians(45, 7 + step, 0), radians(45, 7, 0))[0] / step
    assert (north, east) == (pytest.approx(111_131.7, abs=1), pytest.approx(78_846.8, abs=1))


def test_a_quarter_circle_on_the_compass_is_east_as_on_every_compass():
    assert from_tape(60, 90 * DEG, 1.4) == pytest.approx(np.array([60, 0, 1.4]))
