"""Where each sigma comes from, and what a flight looks like as arrays."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.errors import ReductionError
from apexfix.model import Flight, Sighting, Site, Station
from apexfix.reduce import Defaults, observe
from apexfix.units import DEG

BARE = Station("A", np.array([60.0, 0.0, 1.4]), 0.05, None, None, None, None, None, None)
STATED = Station("B", np.array([0.0, 80.0, 1.5]), 0.2, 0.3 * DEG, 0.4 * DEG, 0.1 * DEG, 0.2 * DEG, "u01", 1.0)
SITE = Site("field", (BARE, STATED))
HAND = Sighting(1, "A", None, 1.0, 0.8)
UNIT = Sighting(1, "A", 1_000_000, 1.0, 0.8, sigma_time_s=0.01, source="unit u01, boot 1, record 4")


def seen(*sightings, defaults=None):
    return observe(SITE, Flight(1, sightings), defaults or Defaults())


def test_readings_keep_their_order_and_their_places():
    both = seen(replace(HAND, station="B"), HAND)
    assert both.station == ("B", "A")
    assert both.station_m.tolist() == [[0.0, 80.0, 1.5], [60.0, 0.0, 1.4]]
    assert both.sigma_position_m.tolist() == [0.2, 0.05]


def test_a_missing_azimuth_is_nan():
    assert np.isnan(seen(replace(HAND, azimuth_rad=None)).azimuth_rad).tolist() == [True]


def test_a_flight_without_sightings_has_empty_arrays():
    nothing = seen()
    assert nothing.station == ()
    assert nothing.station_m.shape == (0, 3)
    assert nothing.azimuth_rad.shape == (0,)


def test_a_hand_reading_falls_back_on_one_degree():
    # The error of a hand-held protractor or inclinometer: common practice, from memory.
    assert seen(HAND).sigma_elevation_rad[0] == pytest.approx(1.0 * DEG)
    assert seen(HAND).sigma_azimuth_rad[0] == pytest.approx(1.0 * DEG)


def test_a_unit_is_believed_more_than_a_hand():
    assert seen(UNIT).sigma_elevation_rad[0] < seen(HAND).sigma_elevation_rad[0]
    assert seen(UNIT).sigma_azimuth_rad[0] < seen(HAND).sigma_azimuth_rad[0]


def test_the_station_overrides_the_default_and_the_reading_overrides_the_station():
    assert seen(replace(HAND, station="B")).sigma_elevation_rad[0] == pytest.approx(0.3 * DEG)
    assert seen(replace(HAND, station="B")).sigma_azimuth_rad[0] == pytest.approx(0.4 * DEG)
    own = replace(HAND, station="B", sigma_elevation_rad=0.01, sigma_azimuth_rad=0.02)
    assert seen(own).sigma_elevation_rad[0] == 0.01
    assert seen(own).sigma_azimuth_rad[0] == 0.02


def test_zeros_come_from_the_station_or_the_default():
    defaults = Defaults(elevation_zero_rad=0.7, azimuth_zero_rad=0.9)
    both = seen(HAND, replace(HAND, station="B"), defaults=defaults)
    assert both.sigma_elevation_zero_rad == pytest.approx([0.7, 0.1 * DEG])
    assert both.sigma_azimuth_zero_rad == pytest.approx([0.9, 0.2 * DEG])


def test_a_press_is_late_by_the_hand_and_by_the_clock_and_a_hand_reading_has_no_press():
    assert seen(HAND).sigma_time_s[0] == 0.0
    assert seen(UNIT, defaults=Defaults(time_s=0.3)).sigma_time_s[0] == pytest.approx(np.hypot(0.3, 0.01))


def test_an_unknown_station_is_named_beside_the_known_ones():
    with pytest.raises(ReductionError, match=r"flight 1 was seen from station C, and the site has A, B"):
        seen(replace(HAND, station="C"))


def test_two_sightings_from_one_station_are_refused():
    with pytest.raises(ReductionError, match="2 sightings of station A"):
        seen(HAND, HAND)
