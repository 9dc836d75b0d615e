"""Nobody is sent where a line of sight passes near the Sun."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from apexfix.plan.accuracy import Readings
from apexfix.plan.answer import Request, make_plan
from apexfix.plan.document import plan_document
from apexfix.plan.expected import Wind, from_interval
from apexfix.plan.field import Field
from apexfix.plan.sunwatch import Moment, flights, watch
from apexfix.plan.words import plan_text
from apexfix.safety import water_advice
from apexfix.units import DEG

# 47 degrees north on 1 October at 12:00 UTC on the Greenwich meridian: the Sun stands near 40 degrees in the south, where an
# observer in the north who stands about as far away as the model flies high looks at the apex.
NOON = Moment(datetime(2026, 10, 1, 12, 0, tzinfo=UTC), 47.0 * DEG, 0.0, 400.0)
NIGHT = Moment(datetime(2026, 10, 1, 23, 0, tzinfo=UTC), 47.0 * DEG, 0.0, 400.0)
STRIP = Field("strip", np.array([[-12.0, -90.0], [12.0, -90.0], [12.0, 90.0], [-12.0, 90.0]]))  # north and south, nothing beside
LANE = Field("lane", np.array([[-1.5, -5.0], [1.5, -5.0], [1.5, 90.0], [-1.5, 90.0]]))  # to the north alone
STRAIGHT = 9.0 * np.eye(2)  # m2; a model that drifts little, so that the looks stay narrow
EXPECTED = replace(from_interval((45.0, 55.0), Wind(1.0, 0.0), 4.0, (5 * DEG, "5 degrees")), drift_covariance_m2=STRAIGHT)


def request(moment, field=STRIP, count=2):
    return Request(EXPECTED, Readings(1.0 * DEG, 1.0 * DEG), count, field, water_advice(3e5), (), moment)


@pytest.fixture(scope="module")
def noon():
    return make_plan(request(NOON))


def test_a_station_in_the_north_at_noon_looks_into_the_sun():
    seen = flights(EXPECTED)
    found = watch(np.array([[0.0, 55.0, 1.5], [0.0, -55.0, 1.5]]), seen, NOON)
    assert [glance.warning for glance in found.glances] == [True, False]
    assert found.glances[0].during in ("climb", "apex", "descent")
    assert found.clear_from is None
    # at the other time the Sun has moved away from every look of both
    again = watch(np.array([[0.0, 55.0, 1.5], [0.0, -55.0, 1.5]]), seen, Moment(found.other_time, 47 * DEG, 0.0, 400.0))
    assert not any(glance.warning for glance in again.glances)
    assert again.elevation_rad > 0


def test_the_plan_keeps_every_line_of_sight_clear_and_says_what_that_costs(noon):
    assert not any(glance.warning for glance in noon.sun.glances)
    assert noon.avoided is not None
    assert any(glance.warning for glance in noon.avoided_sun.glances)
    assert noon.avoided.sigma_m < noon.sigma_m
    assert not noon.avoided.fits
    assert noon.sun.clear_from <= NOON.utc <= noon.sun.clear_until
    assert noon.sun.clear_until - noon.sun.clear_from <= timedelta(hours=12)


def test_the_words_and_the_document_tell_of_the_sun(noon):
    text, told = " ".join(plan_text(noon, None).split()), plan_document(noon)["sun"]
    assert "These places keep clear of the Sun. Without it the best would be" in text
    assert "from there it is clear at" in text
    assert [look["warning"] for look in told["looks"]] == [False, False]
    assert any(look["warning"] for look in told["avoided"]["looks"])
    assert told["utc"] == "2026-10-01T12:00:00Z"
    assert told["avoided"]["other_time_utc"].endswith("Z")


def test_where_no_place_is_clear_the_plan_warns_and_names_another_time():
    # observers can only stand in the north, and the climb from the pad passes every angle up to the apex
    found = make_plan(request(NOON, LANE, 1))
    assert found.avoided is None
    assert found.sun.glances[0].warning
    text = " ".join(plan_text(found, None).split())
    assert "! A: a line of sight comes within" in text
    assert "do not sight from there at this time" in text
    assert f"these are at {found.sun.other_time:%H:%M} UTC" in text


def test_at_night_the_sun_warns_nobody():
    found = make_plan(request(NIGHT, count=1))
    assert not any(glance.warning for glance in found.sun.glances)
    assert "The Sun is down at 2026-10-01 23:00 UTC." in plan_text(found, None)
