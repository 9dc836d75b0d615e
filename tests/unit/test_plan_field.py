"""The outline of a field: read, refused, asked."""

import numpy as np
import pytest

from apexfix.errors import FileError
from apexfix.plan.field import Field, breadth_m, edge_distance_m, inside, read_field

RECTANGLE = "format = 1\n[rectangle]\nwest_m = 40\neast_m = 120.0\nsouth_m = 60\nnorth_m = 90\n"
BEND = Field("bend", np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 30.0], [30.0, 30.0], [30.0, 100.0], [0.0, 100.0]]) - 10.0)


@pytest.fixture
def write(tmp_path):
    def write(text):
        path = tmp_path / "field.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def corners(*points):
    return "format = 1\n" + "".join(f"[[corner]]\neast_m = {e}\nnorth_m = {n}\n" for e, n in points)


def test_four_edges_make_the_same_field_as_four_corners(write):
    by_edges = read_field(write(RECTANGLE))
    by_corners = read_field(write(corners((-40, -60), (120, -60), (120, 90), (-40, 90))))
    assert by_edges.corner_m.tolist() == by_corners.corner_m.tolist()
    assert by_edges.name == "field"


def test_the_breadth_of_a_rectangle_is_its_shortest_side(write):
    assert breadth_m(read_field(write(RECTANGLE))) == pytest.approx(150.0, abs=0.01)


def test_the_breadth_of_a_bent_field_is_that_of_its_largest_circle():
    # The circle touches the two outer edges and the inner corner (30, 30): r sqrt 2 + r = 30 sqrt 2 along the diagonal.
    assert breadth_m(BEND) == pytest.approx(2 * 30 * 2**0.5 / (1 + 2**0.5), abs=0.01)


def test_a_point_in_the_bend_is_outside():
    assert inside(BEND, np.array([[10.0, 10.0], [60.0, 60.0], [60.0, 10.0], [-11.0, 0.0]])).tolist() == [True, False, True, False]


def test_the_distance_to_the_edge_is_that_of_the_nearest_edge():
    assert edge_distance_m(BEND, np.array([[0.0, 50.0], [60.0, 60.0]])) == pytest.approx([10.0, 40.0])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (corners((0, 0), (1, 0)), "2 corners seen"),
        (corners((-10, -10), (10, 10), (10, -10), (-10, 10)), "crosses or touches itself"),
        (corners((-10, -10), (10, -10), (10, 10), (10, -10)), "crosses or touches itself"),
        (corners((5, 5), (10, 5), (10, 10)), "pad (0, 0) lies outside"),
        (RECTANGLE + corners((0, 0)).removeprefix("format = 1\n"), "not both"),
        ("format = 1\n", "one table [rectangle]"),
        (RECTANGLE.replace("west_m = 40", "west_m = -40"), "field.toml, line 3, west_m"),
        (RECTANGLE.replace("west_m", "wset_m"), "did you mean 'west_m'?"),
        ("format = 2\n", "line 1, format"),
    ],
)
def test_a_wrong_outline_is_told_with_its_place(write, text, words):
    with pytest.raises(FileError) as told:
        read_field(write(text))
    assert words in str(told.value)
