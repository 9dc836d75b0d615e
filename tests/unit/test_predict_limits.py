"""Rockets that cannot fly or must not."""

import re
from dataclasses import replace

import pytest

from apexfix.errors import ReductionError
from apexfix.predict import Quantity, forecast, read_rocket, refuse_impossible, warnings
from apexfix.units import DEG


@pytest.fixture
def with_figures(root):
    """A function that returns an example with some of its figures changed."""

    def build(kind, **values):
        rocket = read_rocket(root / "docs" / "example-rockets" / f"{kind}.toml").rocket
        return replace(rocket, quantities={**rocket.quantities, **{name: Quantity(value, 0.0) for name, value in values.items()}})

    return build


@pytest.mark.parametrize("kind", ["water", "motor", "burnout"])
def test_the_examples_can_fly(with_figures, kind):
    refuse_impossible(with_figures(kind))


def test_a_motor_weaker_than_the_weight_is_refused(with_figures):
    with pytest.raises(ReductionError, match=r"greatest thrust of 14\.\d+ N seen, more than the weight of 19\.\d+ N"):
        refuse_impossible(with_figures("motor", dry_mass_kg=2.0))


def test_a_motor_that_lifts_only_for_a_moment_is_refused(with_figures):
    with pytest.raises(ReductionError, match="too weak after it"):
        forecast(with_figures("motor", dry_mass_kg=0.9), samples=100)


def test_a_water_rocket_weaker_than_its_weight_is_refused(with_figures):
    with pytest.raises(ReductionError, match="does not leave the pad"):
        refuse_impossible(with_figures("water", dry_mass_kg=40.0))


def test_a_fill_that_cannot_leave_is_refused_with_the_figure(with_figures):
    # by hand: r = (100.5 / 500.5)^(1 / 1.25) = 0.2769, tube 0.0314 of the bottle, air (r + sqrt(r² + 4 r 0.0314)) / 2 = 0.3053
    with pytest.raises(ReductionError, match=r"a fill of 85 % .* less than 69\.5 %") as caught:
        refuse_impossible(with_figures("water", water_m3=1.7e-3))
    share = float(re.search(r"less than (\d+\.\d) %", str(caught.value))[1]) / 100
    refuse_impossible(with_figures("water", water_m3=2e-3 * (share - 0.03)))  # the last hundredth of the gauge pressure is not used
    with pytest.raises(ReductionError, match="a fill of"):
        refuse_impossible(with_figures("water", water_m3=2e-3 * (share + 0.001)))


@pytest.mark.parametrize(("pressure_pa", "refused"), [(620e3, False), (621e3, True), (1e6, True)])
def test_a_drinks_bottle_is_never_pumped_above_the_published_figure(with_figures, pressure_pa, refused):
    # "never above 90 psi", that is 620.5 kPa: NASA Glenn Research Center, safety guide for bottle rockets
    rocket = with_figures("water", pressure_pa=pressure_pa)
    if not refused:
        refuse_impossible(rocket)
        return
    with pytest.raises(ReductionError, match=r"at most 6\.2 bar .*NASA.*Local codes, the landowner and licensed practice decide"):
        refuse_impossible(rocket)


@pytest.mark.parametrize(("pressure_pa", "words"), [(400e3, "3 m away with and 6 m"), (500e3, "6 m away with and 12 m")])
def test_the_distance_follows_the_pressure(with_figures, pressure_pa, words):
    # 10 and 20 feet up to 60 psi, 20 and 40 feet above: B. Berggren, Water Rocket Safety Code, clause 4
    assert any(words in warned.reason for warned in warnings(with_figures("water", pressure_pa=pressure_pa)))


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ({"tilt_rad": 31 * DEG}, "leans 31 degrees"),
        ({"wind_m_s": 9.0}, "at most 32 km/h"),
        ({"dry_mass_kg": 1.6}, "at most 1.5"),
        ({"impulse_ns": 330.0}, "at most 320"),
        ({"dry_mass_kg": 0.5}, "1.* times the weight"),
    ],
)
def test_what_breaks_a_published_limit_is_told(with_figures, figures, words):
    # NFPA 1122, 2018: 1500 g, 125 g of propellant, 320 N s, 30 degrees, 32 km/h; five times the weight is common practice
    assert any(re.search(words, warned.reason) for warned in warnings(with_figures("motor", **figures)))


def test_an_ordinary_rocket_breaks_no_limit(with_figures):
    assert warnings(with_figures("motor")) == ()
    assert warnings(with_figures("burnout")) == ()


def test_a_flight_near_the_speed_of_sound_is_told(with_figures):
    # 340.3 m/s at 15 degrees C, ISO 2533:1975
    rocket = with_figures("burnout", burnout_m_s=0.81 * 340.3)
    assert any("0.81 of the speed of sound" in warned.reason for warned in forecast(rocket, samples=100).warnings)
    assert forecast(with_figures("burnout", burnout_m_s=0.79 * 340.3), samples=100).warnings == ()


def test_an_impulse_that_no_model_has_is_taken_for_a_typing_error(with_figures):
    with pytest.raises(ReductionError, match="look at the impulse in N s"):
        refuse_impossible(with_figures("motor", impulse_ns=8625.0))
