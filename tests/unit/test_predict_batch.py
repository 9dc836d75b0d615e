"""The batched flights against scipy's integrators, and what must hold for any of them."""

import numpy as np
import pytest

from apexfix.predict import Bottle, Motor, Quantity, ascents, nominal, read_rocket, trajectory
from apexfix.predict.boost import charge, tube_exit, water_push
from apexfix.predict.motion import DOWNWIND, SPEED_DOWNWIND, SPEED_UP, TIME, UP
from apexfix.predict.quantity import at
from apexfix.units import STANDARD_GRAVITY

KINDS = ("water", "motor", "burnout")


@pytest.fixture
def rocket(root):
    return lambda kind: read_rocket(root / "docs" / "example-rockets" / f"{kind}.toml").rocket


def drawn(rocket, samples, seed=3):
    draw = np.random.default_rng(seed)
    return {name: at(quantity, draw.standard_normal(samples)) for name, quantity in rocket.quantities.items()}


@pytest.mark.parametrize("kind", KINDS)
def test_many_flights_agree_with_one_at_a_time(rocket, kind):
    body = rocket(kind)
    values = drawn(body, 12)
    many = ascents(body, values)
    for sample in range(12):
        once = trajectory(body, {name: value[[sample]] for name, value in values.items()})
        assert many.apex_m[sample] == pytest.approx(once.apex[UP], rel=1e-4)
        assert many.apex_s[sample] == pytest.approx(once.apex[TIME], rel=1e-4)
        # metres per metre of height: a turn into the wind at the rail's end is the hardest thing for fixed steps
        assert many.apex_downwind_m[sample] == pytest.approx(once.apex[DOWNWIND], abs=3e-4 * once.apex[UP])
        assert many.burnout_m_s[sample] == pytest.approx(np.hypot(*once.burnout[[SPEED_DOWNWIND, SPEED_UP]]), rel=1e-4)
        assert many.burnout_m[sample] == pytest.approx(once.burnout[UP], rel=1e-3)


# a motor's steps follow the middle of the company: as good as the steps themselves, see above
@pytest.mark.parametrize(("kind", "near"), [("water", 1e-12), ("motor", 1e-4), ("burnout", 1e-12)])
def test_a_sample_flies_the_same_alone_and_in_company(rocket, kind, near):
    body = rocket(kind)
    values = drawn(body, 5)
    many = ascents(body, values)
    alone = ascents(body, {name: value[[2]] for name, value in values.items()})
    assert alone.apex_m[0] == pytest.approx(many.apex_m[2], rel=near)


@pytest.mark.parametrize("kind", KINDS)
def test_without_wind_and_tilt_nothing_drifts(rocket, kind):
    body = rocket(kind)
    values = nominal(body) | {"wind_m_s": np.zeros(1), "tilt_rad": np.zeros(1)}
    assert ascents(body, values).apex_downwind_m[0] == 0.0


@pytest.mark.parametrize("kind", ["water", "motor"])
def test_a_driven_rocket_turns_into_the_wind(rocket, kind):
    body = rocket(kind)
    values = nominal(body) | {"wind_m_s": np.full(1, 6.0), "tilt_rad": np.zeros(1)}
    assert ascents(body, values).apex_downwind_m[0] < 0


@pytest.mark.parametrize(("name", "rises"), [("pressure_pa", True), ("drag_coefficient", False), ("exponent", False)])
def test_the_height_follows_each_input_in_its_own_direction(rocket, name, rises):
    body = rocket("water")
    stated = nominal(body)
    more = stated | {name: stated[name] * 1.05}
    assert (ascents(body, more).apex_m[0] > ascents(body, stated).apex_m[0]) == rises


def test_a_launch_tube_gives_the_work_of_the_air_on_it(rocket):
    # along a thin tube the pressure hardly falls, and the work is force times way
    bottle = Bottle(2e-3, 3.7e-4, 2e-5, 0.3)
    stated = nominal(rocket("water"))
    load = charge(rocket("water"), bottle, stated | {"pressure_pa": np.full(1, 1e6)})
    time_s, speed = tube_exit(bottle, load, np.ones(1))
    mass_kg = water_push(load, load.air_m3)[1]
    gained = (1e6 * 2e-5) / mass_kg - STANDARD_GRAVITY
    assert speed == pytest.approx((2 * gained * 0.3) ** 0.5, rel=5e-3)
    assert time_s == pytest.approx((2 * 0.3 / gained) ** 0.5, rel=5e-3)


def test_water_that_cannot_leave_is_carried_along(rocket):
    body = rocket("water")
    values = nominal(body) | {"water_m3": np.array([1.85e-3]), "pressure_pa": np.array([4e5])}
    load = charge(body, body.engine, values)
    assert load.left_m3[0] > 0
    assert water_push(load, load.end_m3)[1] == pytest.approx(load.dry_kg + load.air_kg + 998 * load.left_m3)
    once = trajectory(body, values)
    assert ascents(body, values).apex_m[0] == pytest.approx(once.apex[UP], rel=5e-3)


def test_the_apex_of_a_rocket_that_falls_while_it_burns_is_its_highest_point(rocket):
    body = rocket("motor")  # its thrust falls from 14 N to 5 N: too little for a kilogram after the first moment
    values = nominal(body) | {"dry_mass_kg": np.full(1, 0.9), "impulse_ns": np.full(1, 9.5)}
    flown = ascents(body, values)
    assert flown.burnout_m[0] < flown.apex_m[0]
    assert flown.apex_s[0] < flown.burnout_s[0]


def test_a_rocket_too_heavy_for_its_motor_stays_on_the_pad(rocket):
    body = rocket("motor")
    values = nominal(body) | {"dry_mass_kg": np.full(1, 50.0)}
    flown = ascents(body, values)
    assert isinstance(body.engine, Motor)
    assert (flown.apex_m[0], flown.burnout_m_s[0]) == (0.0, 0.0)


def test_air_that_cannot_lift_the_rocket_off_its_tube_leaves_it_there(rocket):
    body = rocket("water")
    values = nominal(body) | {"pressure_pa": np.array([500.0])}
    flown = ascents(body, values)
    assert (flown.apex_m[0], flown.burnout_m_s[0]) == (pytest.approx(0.0, abs=0.01), pytest.approx(0.0, abs=0.01))


@pytest.mark.parametrize("kind", KINDS)
def test_absurd_spreads_still_give_finite_flights(rocket, kind):
    body = rocket(kind)
    draw = np.random.default_rng(8)
    spread = {name: Quantity(q.value, 1.5 * abs(q.value), q.positive) for name, q in body.quantities.items()}
    wide = {name: at(quantity, draw.standard_normal(2000)) for name, quantity in spread.items()}
    values = wide | {"tilt_rad": np.clip(wide["tilt_rad"], -1.5, 1.5)}
    flown = ascents(body, values)
    assert all(np.isfinite(part).all() for part in (flown.apex_m, flown.apex_s, flown.apex_downwind_m, flown.burnout_m_s))
    assert (flown.apex_m >= 0).all()
