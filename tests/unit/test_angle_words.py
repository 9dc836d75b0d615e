import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.angle_words import angle_deg
from apexfix.fields import Unfit

PLAIN = ("45.5", "45,5", "45 30", "45 30 0", " 45.5 ", "+45.5")
MARKED = ("45 deg 30 min", "45°30'", "45° 30′", "45d30m", "45 DEG 30", "45.5°")


@pytest.mark.parametrize("words", PLAIN + MARKED)
def test_one_angle_may_be_written_in_many_ways(words):
    assert angle_deg(words) == 45.5


@pytest.mark.parametrize(
    ("words", "degrees"),
    [
        ("45 30 15", 45.504166667),  # 45 + 30/60 + 15/3600, by hand
        ("45°30'15\"", 45.504166667),
        ("45 deg 30 min 15 sec", 45.504166667),
        ("-0 30", -0.5),
        ("−12,25", -12.25),
        ("7 7,5", 7.125),
        ("359 59 59.9", 359.999972222),
        ("0", 0.0),
    ],
)
def test_minutes_are_sixtieths_and_seconds_sixtieths_of_those(words, degrees):
    assert angle_deg(words) == pytest.approx(degrees, abs=1e-9)


NO_NUMBERS = ("", "-", "abc", "nan", "inf", "٤٥", "=45", "45..5", "45.5.5", "1e3", "0x10", "--5", "1" * 1000)
TWO_MEANINGS = ("4530", "45.5 30", "45 30.5 10", "45, 5", "45 30 15 10", "45'", "45 30 min 15 min", "45 °30 °", "4 5 deg")
TOO_LARGE = ("45 60", "45 30 60")


@pytest.mark.parametrize("words", NO_NUMBERS + TWO_MEANINGS + TOO_LARGE)
def test_what_could_be_meant_in_two_ways_or_none_is_refused(words):
    with pytest.raises(Unfit, match="expected"):
        angle_deg(words)


@given(st.floats(-999, 999), st.sampled_from([".", ","]))
def test_any_decimal_comes_back(value, mark):
    written = f"{value:.6f}".replace(".", mark)
    assert angle_deg(written) == pytest.approx(value, abs=1e-6)


FORMS = ("{} {} {}", "{}°{}'{}\"", "{} deg {} min {} sec", "{}d {}m {}s")


@given(st.integers(0, 359), st.integers(0, 59), st.integers(0, 59), st.sampled_from(FORMS))
def test_any_degrees_minutes_and_seconds_come_back(degrees, minutes, seconds, form):
    assert angle_deg(form.format(degrees, minutes, seconds)) * 3600 == pytest.approx(degrees * 3600 + minutes * 60 + seconds)


@given(st.text() | st.text("0123456789.,°'\" degmins-", max_size=20))
def test_any_text_is_an_angle_or_unfit(words):
    with contextlib.suppress(Unfit):
        assert math.isfinite(angle_deg(words))
