"""Thrust tables, well and badly written."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.errors import FileError
from apexfix.predict.thrust import ThrustTable, constant_thrust, impulse_until, read_thrust, total_impulse

ROWS = [(0.0, 0.0), (0.1, 9.5), (0.4, 4.0), (1.0, 0.0)]


def written(tmp_path, text):
    path = tmp_path / "thrust.txt"
    path.write_bytes(text.encode("utf-8"))
    return path


@pytest.mark.parametrize("between", [",", "\t", " ", "    ", " , ", " \t "])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_every_separator_gives_the_same_curve(tmp_path, between, end):
    text = end.join(["# time, thrust", "; in s and N", "", *(f"{a}{between}{b} # told" for a, b in ROWS)])
    curve = read_thrust(written(tmp_path, text))
    assert list(zip(curve.time_s, curve.thrust_n, strict=True)) == ROWS


def test_a_table_that_begins_late_rises_from_nothing(tmp_path):
    curve = read_thrust(written(tmp_path, "0.1 10\n0.2 0\n"))
    assert (curve.time_s[0], curve.thrust_n[0], total_impulse(curve)) == (0.0, 0.0, pytest.approx(1.0))


@pytest.mark.parametrize(
    ("text", "line", "field", "words"),
    [
        ("0 0\n0.1 nine\n0.2 0", 2, "thrust", "'nine'"),
        ("0 0\n# told\nzero 1\n0.2 0", 3, "time", "'zero'"),
        ("0 0\n0.1 5 7\n", 2, None, "two numbers expected"),
        ("0 0\n0,1,5,0\n", 2, None, "two numbers expected"),  # a decimal comma
        ("0 0\n0.1\n", 2, None, "two numbers expected"),
        ("0 0\n0.2 5\n0.1 5\n", 3, "time", "a later time expected"),
        ("0 0\n0.2 5\n0.2 5\n", 3, "time", "a later time expected"),
        ("0 0\n0.2 -5\n", 2, "thrust", "from 0 to"),
        ("0 0\n0.2 nan\n", 2, "thrust", "from 0 to"),
        ("0 0\n0.2 inf\n", 2, "thrust", "from 0 to"),
        ("0 0\n1 0\n", 1, "thrust", "no thrust"),
        ("0 5\n", 1, None, "two or more expected"),
        ("", 1, None, "two or more expected"),
        ("# nothing\n", 1, None, "two or more expected"),
        ("\n".join(f"{row} 1" for row in range(502)), 501, None, "thin the table out"),
    ],
)
def test_a_wrong_table_is_told_with_its_line(tmp_path, text, line, field, words):
    with pytest.raises(FileError, match=words) as caught:
        read_thrust(written(tmp_path, text))
    assert (caught.value.line, caught.value.field) == (line, field)


@given(st.lists(st.tuples(st.floats(0.001, 1), st.floats(0, 100)), min_size=2, max_size=12), st.floats(0, 1))
def test_impulse_adds_up_over_any_cut(steps, cut):
    gaps, thrusts = np.array(steps).T
    curve = ThrustTable(np.concatenate([[0.0], np.cumsum(gaps)]), np.concatenate([[0.0], thrusts]))
    when = cut * curve.time_s[-1]
    fine = np.unique(np.concatenate([curve.time_s[curve.time_s < when], [when]]))
    first = np.trapezoid(np.interp(fine, curve.time_s, curve.thrust_n), fine)
    assert impulse_until(curve, when) == pytest.approx(first, abs=1e-9)
    assert total_impulse(curve) == pytest.approx(np.trapezoid(curve.thrust_n, curve.time_s))


def test_a_motor_of_which_little_is_known_burns_evenly():
    curve = constant_thrust(10.0, 2.0)
    assert curve.thrust_n.tolist() == [5.0, 5.0]
    assert impulse_until(curve, 1.0) == 5.0
