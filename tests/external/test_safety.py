"""The figures of safety are those that were published; beside each stands where."""

import pytest

from apexfix.predict.limits import (
    BOTTLE_LIMIT_PA,
    MODEL_IMPULSE_NS,
    MODEL_MASS_KG,
    MODEL_PROPELLANT_KG,
    TILT_LIMIT_RAD,
    WIND_LIMIT_M_S,
)
from apexfix.safety import CLASSES, motor_advice, motor_class, unknown_advice, water_advice
from apexfix.units import DEG, FOOT

PSI_PA = 6894.757  # NIST SP 811


def metres(figures, source):
    return [figure.metres for figure in figures if source in figure.source]


# NFPA 1122, 2018, table 4.9, as a published club table repeats it: shortest side of the site for each class, in metres.
@pytest.mark.parametrize(
    ("letter", "side_m"),
    [("1/4A", 15), ("1/2A", 15), ("A", 30), ("B", 60), ("C", 120), ("D", 150), ("E", 300), ("F", 300), ("G", 300)],
)
def test_the_site_is_that_of_the_class(letter, side_m):
    assert motor_advice(letter).site.metres == side_m


# The letters double from one to the next: A to 2.50, B to 5, C to 10, D to 20, E to 40, F to 80, G to 160 N s.
@pytest.mark.parametrize(
    ("impulse_ns", "letter"),
    [
        (1.25, "1/2A"),
        (1.26, "A"),
        (2.5, "A"),
        (2.51, "B"),
        (10.0, "C"),
        (10.01, "D"),
        (20.01, "E"),
        (40.01, "F"),
        (80.01, "G"),
        (161, None),
    ],
)
def test_the_letter_of_an_impulse_is_that_of_its_range(impulse_ns, letter):
    assert motor_class(impulse_ns) == letter


# NFPA 1122, 2018: 15 feet (4.6 m) up to class D, 30 feet (9.1 m) above.
@pytest.mark.parametrize(("letter", "feet", "told_m"), [("A", 15, 4.6), ("D", 15, 4.6), ("E", 30, 9.1), ("G", 30, 9.1)])
def test_the_standoff_of_a_motor_is_that_of_the_code(letter, feet, told_m):
    assert metres(motor_advice(letter).standoffs, "NFPA 1122") == [told_m]
    assert told_m == pytest.approx(feet * FOOT, abs=0.05)


def test_where_codes_differ_the_stricter_one_counts():
    # California asks for 30 feet for every class up to 320 N s (California Code of Regulations, title 19, table 18A, first row).
    advice = motor_advice("B")
    assert advice.standoff_m == 9.1
    assert advice.standoffs[0].metres == max(figure.metres for figure in advice.standoffs)


# B. Berggren, Water Rocket Safety Code, clause 4: up to 60 psi 10 feet with and 20 feet without eye protection, above it 20 and
# 40 feet; here in metres as 3, 6 and 12.
@pytest.mark.parametrize(
    ("psi", "with_m", "without_m", "strictest_m"), [(30, 3, 6, 10), (60, 3, 6, 10), (61, 6, 12, 12), (90, 6, 12, 12)]
)
def test_the_distance_of_a_water_rocket_is_that_of_its_pressure(psi, with_m, without_m, strictest_m):
    advice = water_advice(psi * PSI_PA)
    assert sorted(metres(advice.standoffs, "Berggren")) == [with_m, without_m]
    # University of Nebraska, water rocket safety rules, rule 5: goggles within 30 feet (10 m) of a rocket under pressure
    assert advice.standoff_m == strictest_m


def test_the_limits_of_a_model_rocket_are_those_of_the_code():
    # NFPA 1122, 2018, clauses 4.4 and 4.5, 30 degrees and 20 miles an hour (32 km/h)
    assert (MODEL_MASS_KG, MODEL_PROPELLANT_KG, MODEL_IMPULSE_NS) == (1.5, 0.125, 320.0)
    assert pytest.approx(30.0) == TILT_LIMIT_RAD / DEG
    assert pytest.approx(20 * 1.609344, abs=0.2) == WIND_LIMIT_M_S * 3.6


def test_a_drinks_bottle_is_never_filled_above_90_psi():
    # NASA Glenn Research Center, safety guide for bottle rockets
    assert pytest.approx(90 * PSI_PA) == BOTTLE_LIMIT_PA
    assert any("6.2 bar (90 psi)" in figure.words for figure in water_advice(4e5).practice)


def test_nobody_invents_a_site_for_what_no_figure_was_found_for():
    assert motor_advice(None).site is None
    assert unknown_advice().site is None


def test_an_unknown_engine_gets_the_strictest_distance_of_all():
    everything = [
        *(motor_advice(letter).standoff_m for letter in CLASSES),
        *(water_advice(bar * 1e5).standoff_m for bar in (1, 4, 6)),
    ]
    assert unknown_advice().standoff_m == max(everything)
