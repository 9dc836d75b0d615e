"""Intervals, shares, the fill sweep and the delay."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.predict import Quantity, figures, fill_sweep, forecast, nominal, outcomes, read_rocket
from apexfix.predict.quantity import at, normal_nodes

KINDS = ("water", "motor", "burnout")


@pytest.fixture
def rocket(root):
    return lambda kind: read_rocket(root / "docs" / "example-rockets" / f"{kind}.toml").rocket


def changed(rocket, **quantities):
    return replace(rocket, quantities={**rocket.quantities, **quantities})


def sharp(rocket):
    return replace(rocket, quantities={name: replace(figure, sigma=0.0) for name, figure in rocket.quantities.items()})


def test_a_positive_figure_has_the_mean_and_sigma_that_were_stated():
    drawn = at(Quantity(2.0, 0.8), np.random.default_rng(1).standard_normal(400_000))
    assert (drawn.mean(), drawn.std()) == (pytest.approx(2.0, rel=0.005), pytest.approx(0.8, rel=0.01))
    assert drawn.min() > 0


def test_the_nodes_have_the_moments_of_a_normal():
    node, weight = normal_nodes()
    assert [weight @ node**power for power in (0, 1, 2, 4, 6)] == pytest.approx([1, 0, 1, 3, 15], abs=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_figures_without_spread_give_a_point(rocket, kind):
    for outcome in outcomes(sharp(rocket(kind)), samples=50).values():
        assert outcome.interval95 == pytest.approx((outcome.nominal, outcome.nominal))
        assert outcome.sigma == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_an_interval_holds_its_share_of_flights_drawn_apart(rocket, kind):
    body = rocket(kind)
    draw = np.random.default_rng(11)
    values = {name: at(quantity, draw.standard_normal(4000)) for name, quantity in body.quantities.items()}
    flown = figures(body, values)
    told = outcomes(body, samples=4000)
    for name in ("apex_m", "apex_s", "apex_downwind_m", "landing_downwind_m"):
        low, high = told[name].interval95
        # binomial sigma of 4000 is 0.34 %, and as much again from the drawn quantiles: four of them
        assert np.mean((flown[name] >= low) & (flown[name] <= high)) == pytest.approx(0.95, abs=0.02)


def test_the_same_seed_gives_the_same_answer_and_another_a_near_one(rocket):
    first, again, other = (outcomes(rocket("motor"), 2000, seed)["apex_m"].interval95 for seed in (5, 5, 6))
    assert first == again != other
    assert first == pytest.approx(other, rel=0.02)


def test_one_uncertain_input_has_the_whole_share(rocket):
    body = changed(sharp(rocket("burnout")), burnout_m_s=Quantity(80.0, 4.0))
    apex = outcomes(body, 2000)["apex_m"]
    assert next(iter(apex.shares)) == "burnout_m_s"
    assert apex.shares["burnout_m_s"] == pytest.approx(1.0, abs=0.01)
    assert apex.together == pytest.approx(0.0, abs=0.01)


def test_the_share_of_an_input_is_that_of_the_flights_with_the_others_held(rocket):
    # the definition, by plain random flights instead of nodes
    body = rocket("water")
    alone = changed(sharp(body), drag_coefficient=body.quantities["drag_coefficient"])
    apex = outcomes(body, 4000)["apex_m"]
    assert apex.shares["drag_coefficient"] == pytest.approx((outcomes(alone, 4000)["apex_m"].sigma / apex.sigma) ** 2, rel=0.05)


def test_shares_and_what_they_do_together_make_the_whole(rocket):
    for outcome in outcomes(rocket("water"), 1000).values():
        assert sum(outcome.shares.values()) + outcome.together == pytest.approx(1.0)


def test_no_other_fill_flies_higher_than_the_best(rocket):
    body = rocket("water")
    sweep = fill_sweep(body, body.engine)
    litres = np.linspace(0.05, 1.3, 200)
    values = {name: np.repeat(value, 200) for name, value in nominal(body).items()} | {"water_m3": litres * 1e-3}
    assert sweep.best_apex_m == pytest.approx(figures(body, values)["apex_m"].max(), rel=1e-4)
    assert 0.15 < sweep.best_fill < 0.45  # a quarter to a third is common practice, no source


@pytest.mark.parametrize(("delay_s", "early", "landed"), [(1.0, True, False), (8.0, False, False), (60.0, False, True)])
def test_a_delay_too_short_or_too_long_is_told(rocket, delay_s, early, landed):
    told = forecast(changed(rocket("motor"), delay_s=Quantity(delay_s, 0.1)), samples=200).ejection
    assert (told.after_apex_s < 0) == early
    assert told.landed == landed
    assert told.below_apex_m > 0
    assert told.speed_m_s > 10


def test_an_ejection_at_the_apogee_is_slow_and_costs_nothing(rocket):
    body = changed(rocket("motor"), wind_m_s=Quantity(0.0, 0.0), tilt_rad=Quantity(0.0, 0.0, positive=False))
    flown = figures(body, nominal(body))
    told = forecast(changed(body, delay_s=Quantity(float(flown["apex_s"][0] - flown["burnout_s"][0]), 0.1)), samples=200).ejection
    assert told.below_apex_m == pytest.approx(0.0, abs=1e-3)
    assert told.speed_m_s == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("kind", KINDS)
def test_the_figure_without_drag_is_always_too_high(rocket, kind):
    told = forecast(rocket(kind), samples=200)
    assert told.without_drag_m > told.outcomes["apex_m"].nominal
