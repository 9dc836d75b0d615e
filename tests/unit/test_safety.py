"""Every figure says where it was published."""

import pytest

from apexfix.safety import motor_advice, unknown_advice, water_advice


@pytest.mark.parametrize("advice", [motor_advice("C"), motor_advice("F"), motor_advice(None), water_advice(3e5), unknown_advice()])
def test_every_figure_has_a_source_and_the_strictest_distance_stands_first(advice):
    figures = [*advice.standoffs, *([advice.site] if advice.site else []), *advice.practice]
    assert all(figure.source and figure.words for figure in figures)
    distances = [figure.metres for figure in advice.standoffs]
    assert distances == sorted(distances, reverse=True)
    assert advice.standoff_m == distances[0] > 0
    assert any("open sights" in figure.words for figure in advice.practice)


def test_the_advice_names_what_it_is_for():
    assert motor_advice("C").kind == "motor, class C"
    assert water_advice(4.2e5).kind == "water rocket at 4.2 bar"
