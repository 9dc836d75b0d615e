"""Errors of the axes of a sighting instrument, as surveying knows them.

Collimation c acts on an azimuth as c / cos E and a tilt i of the trunnion axis as i tan E; both change sign in the other face, so
that the mean of two faces is free of them (F. Deumlich, Surveying Instruments, 1980, pages 132-134, as an open calibration library
quotes it).
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from apexfix.attitude import pointing_of
from apexfix.geometry import wrapped
from apexfix.units import DEG

SMALL = 0.01 * DEG
ELEVATION_DEG = 60.0
NORTH = Rotation.from_euler("z", 90, degrees=True)  # body x along level y: heading 0
RAISED = Rotation.from_euler("y", -ELEVATION_DEG, degrees=True)


def heading(attitude, tube=(1.0, 0.0, 0.0)):
    return float(wrapped(pointing_of(attitude.as_quat(scalar_first=True)[None], np.array(tube))[0][0]))


def test_a_collimation_error_enters_the_azimuth_twice_at_60_degrees():
    # to the left is towards smaller azimuths
    found = heading(NORTH * RAISED, (np.cos(SMALL), np.sin(SMALL), 0.0))
    assert -found / SMALL == pytest.approx(2.000, abs=5e-4)


def test_a_tilted_trunnion_axis_enters_by_the_tangent():
    found = heading(NORTH * Rotation.from_rotvec([SMALL, 0.0, 0.0]) * RAISED)
    assert abs(found) / SMALL == pytest.approx(1.732, abs=5e-4)


def test_both_are_free_of_it_in_the_mean_of_two_faces():
    rolled = Rotation.from_euler("x", 180, degrees=True)
    tube = (np.cos(SMALL), np.sin(SMALL), 0.0)
    first = heading(NORTH * RAISED, tube)
    second = heading(NORTH * RAISED * rolled, tube)
    # rolled over, the tube's upper side looks down: the convention then counts the elevation beyond 90 and turns the heading about
    assert float(wrapped(first + wrapped(second - np.pi))) / SMALL == pytest.approx(0.0, abs=1e-6)
