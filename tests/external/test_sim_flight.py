"""The simulated flight against published and closed-form flights."""

from math import atan, log, pi, sqrt

import numpy as np
import pytest

from apexfix.sim.truth import Launch, Rocket, Wind, fly
from apexfix.units import DEG, STANDARD_GRAVITY

CALM = Wind()


def thrown(mass_kg: float, drag_kg_m: float) -> Rocket:
    """A body without a motor and without a canopy."""
    return Rocket(mass_kg, 0.0, (0.0,), (0.0,), drag_kg_m, drag_kg_m, 300.0)


def test_a_coast_with_quadratic_drag_meets_its_closed_form():
    # h = (m/2k) ln(1 + k v0^2/(m g)), t = (vt/g) atan(v0/vt): closed form, any textbook of mechanics.
    k = 0.5 * 1.225 * 0.75 * pi * 0.0125**2
    flight = fly(thrown(0.1, k), Launch(rail_m=0.0, speed_m_s=100.0), CALM)
    terminal = sqrt(0.1 * STANDARD_GRAVITY / k)
    assert flight.apex_m[2] == pytest.approx(0.1 / (2 * k) * log(1 + k * 100.0**2 / (0.1 * STANDARD_GRAVITY)), abs=1e-4)
    assert flight.apex_s == pytest.approx(terminal / STANDARD_GRAVITY * atan(100.0 / terminal), abs=1e-5)
    assert flight.apex_m[2] == pytest.approx(264.694, abs=1e-3)
    assert flight.apex_s == pytest.approx(6.64260, abs=1e-4)


def test_a_ball_thrown_up_reaches_the_textbook_height():
    # J. R. Taylor, Classical Mechanics (2005), problem 2.41: 20 m/s, terminal speed 35 m/s -> 17.7 m (from memory).
    flight = fly(thrown(0.15, 0.15 * 9.8 / 35.0**2), Launch(rail_m=0.0, speed_m_s=20.0, gravity_m_s2=9.8), CALM)
    assert flight.apex_m[2] == pytest.approx(17.7, abs=0.05)


def test_a_boosted_flight_meets_the_published_table():
    # Mandell, Caporaso and Bengen, Topics in Advanced Model Rocketry, MIT Press 1973, chapter 4, table 2 (second hand):
    # apex 343.6 m; the table was stepped by hand, hence half a metre. An independent exact integration gives 343.785 m.
    rocket = Rocket(0.040, 0.00833, (0.0, 0.14, 0.22, 1.20), (0.0, 13.0, 3.5, 3.5), 0.92e-4, 0.01, 60.0)
    flight = fly(rocket, Launch(rail_m=0.0, gravity_m_s2=9.8), CALM)
    speed = np.diff(flight.position_m(np.array([1.1999, 1.2001]))[:, 2])[0] / 0.0002
    assert flight.position_m(np.array([1.2]))[0, 2] == pytest.approx(78.1, abs=0.3)
    assert speed == pytest.approx(111.4, abs=0.3)
    assert flight.apex_s - 1.2 == pytest.approx(6.46, abs=0.02)
    assert flight.apex_m[2] == pytest.approx(343.6, abs=0.5)
    assert flight.apex_m[2] == pytest.approx(343.785, abs=0.05)


def test_a_ball_thrown_aslant_meets_the_textbook_example():
    # C. Hill, Learning Scientific Programming with Python (2020), chapter 8: inputs from the book,
    # outcomes from an independent integration.
    k = 0.5 * 1.28 * 0.47 * pi * 0.05**2
    launch = Launch(tilt_rad=25 * DEG, tilt_azimuth_rad=90 * DEG, rail_m=0.0, speed_m_s=50.0, gravity_m_s2=9.81)
    flight = fly(thrown(0.2, k), launch, CALM)
    assert flight.apex_s == pytest.approx(2.794, abs=1e-3)
    assert flight.apex_m[2] == pytest.approx(49.406, abs=2e-3)
    assert flight.landing_s == pytest.approx(6.336, abs=1e-3)
    assert flight.landing_m[0] == pytest.approx(64.085, abs=2e-3)


def test_a_canopy_drifts_with_the_wind_for_as_long_as_it_falls():
    # Canopy drift: height 100 m, 3 m/s at 10 m, descent 4 m/s, one-seventh power law: 91.2 m
    # (mean of the power law over the height).
    mass_kg = 0.1
    rocket = Rocket(mass_kg, 0.0, (0.0,), (0.0,), 1e-9, mass_kg * STANDARD_GRAVITY / 4.0**2, sqrt(2 * 100.0 / STANDARD_GRAVITY))
    launch = Launch(rail_m=0.0, speed_m_s=sqrt(2 * STANDARD_GRAVITY * 100.0))
    flight = fly(rocket, launch, Wind(3.0, 0.0))
    assert flight.apex_m[2] == pytest.approx(100.0, abs=0.01)
    assert flight.landing_m[1] == pytest.approx(91.2, abs=2.0)  # the canopy needs a moment to reach the speed of the air
