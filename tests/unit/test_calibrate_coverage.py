"""Which poses are missing, in words for the person who holds the unit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.calibrate.coverage import RECOMMENDED, demand_coverage, missing, words
from apexfix.errors import CalibrationError
from apexfix.sim.builder import up_in

_COMPONENT = st.floats(-0.1, 0.1)


def test_there_are_eighteen_poses_six_faces_first():
    assert len(RECOMMENDED) == 18
    assert np.abs(RECOMMENDED[:6]).max(axis=1).tolist() == [1.0] * 6
    assert missing(np.empty((0, 3))) == tuple(words(pose) for pose in RECOMMENDED)


@pytest.mark.parametrize("pose", RECOMMENDED, ids=words)
def test_a_person_who_reads_the_words_holds_the_unit_as_it_was_meant(pose):
    assert up_in(words(pose)) == pytest.approx(pose)  # a reader of its own, in the simulator


@given(st.lists(st.tuples(_COMPONENT, _COMPONENT, _COMPONENT), min_size=18, max_size=18))
def test_poses_that_miss_by_a_few_degrees_are_as_good(misses):
    taken = RECOMMENDED + np.array(misses)
    assert missing(taken) == ()
    demand_coverage(taken)


@given(st.integers(0, 17))
def test_the_one_that_was_left_out_is_asked_for(left_out):
    assert missing(np.delete(RECOMMENDED, left_out, axis=0)) == (words(RECOMMENDED[left_out]),)


def test_six_faces_suffice():
    demand_coverage(RECOMMENDED[:6])


@pytest.mark.parametrize("left_out", range(6))
def test_a_face_that_never_was_up_is_asked_for(left_out):
    # twelve poses about two axes: the others speak for their faces, none for the one that is missing
    taken = np.array([pose for pose in RECOMMENDED if pose @ RECOMMENDED[left_out] < 0.1])
    with pytest.raises(CalibrationError, match=words(RECOMMENDED[left_out])):
        demand_coverage(taken)


def test_five_poses_are_too_few_whichever_they_are():
    with pytest.raises(CalibrationError, match="5 still poses seen, 6 or more"):
        demand_coverage(RECOMMENDED[:5])


def test_six_times_the_same_pose_is_no_coverage():
    with pytest.raises(CalibrationError, match="6 still poses, all in one plane seen"):
        demand_coverage(np.tile([0.0, 0.0, 1.0], (6, 1)))
