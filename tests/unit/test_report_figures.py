"""Plots of tracks and residuals, the wind, figures as files: drawn where the values say, and nothing that a name could break."""

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.model import DayResult, Exclusion, FittedTrack, FlightResult, Residual, Site, Station, Track, Verdict
from apexfix.report.axes import Axes, spanned, ticks
from apexfix.report.figures import site_map
from apexfix.report.ground import wind_words
from apexfix.report.pictures import day_figures, pngs, standalone
from apexfix.report.residual_plot import residual_plot, residual_rows
from apexfix.report.rounding import Manner
from apexfix.report.space import space_view
from apexfix.report.track_plot import drawn_track, track_plot
from apexfix.units import DEG

HOSTILE = "../<b>&\"'"
APEX_US = 1_781_334_000_000_000
SHIFT_S = -0.2


def track(samples=400, name="A"):
    time_s = np.linspace(-3, 1, samples)
    azimuth = np.mod((358.0 + 2 * (time_s + 3)) * DEG, 2 * np.pi)  # passes north
    return Track(1, name, stamps(time_s), azimuth, (50 - time_s**2) * DEG, int(stamps(np.array([0.3]))[0]), 0.001)


def stamps(time_s):
    """Return when a station's clock shows a time after the apex, its lag of a fifth of a second included."""
    return APEX_US + np.rint((time_s - SHIFT_S) * 1e6).astype(np.int64)


def fitted(own):
    return FittedTrack(own.station, own.utc_us[::10], own.azimuth_rad[::10], own.elevation_rad[::10], SHIFT_S, 0.05, 0.004, 0.9)


def result(*tracks, fit=True, **changes):
    plain = FlightResult(
        1, Verdict.ACCEPTED, (), np.array([0.0, 0.0, 100.0]), np.eye(3), (98.0, 102.0), None, "track fit", {},
        utc_us=APEX_US, tracks=tracks, fitted=tuple(fitted(own) for own in tracks) if fit else (),
    )  # fmt: skip
    return replace(plain, **changes)


def drawn(figure, style):
    return [element for element in ElementTree.fromstring(figure).iter() if element.get("class") == style]


def points(element):
    return np.array([[float(value) for value in pair.split(",")] for pair in element.get("points").split()])


# --- axes -----------------------------------------------------------------------------------------------------------


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4), st.integers(2, 8))
def test_ticks_are_round_within_the_range_and_never_too_many(low, width, most):
    values = ticks((low, low + width), most)
    assert len(values) <= most
    assert all(low - 1e-6 <= value <= low + width + 1e-6 for value in values)
    steps = np.diff(values)
    assert not len(steps) or steps == pytest.approx(np.full(len(steps), steps[0]), rel=1e-4)


def test_a_range_holds_every_finite_value_and_is_never_empty():
    low, high = spanned([np.array([3.0, np.nan, 7.0])], 1.0)
    assert low < 3.0 < 7.0 < high < 8.0
    low, high = spanned([np.array([3.0]), np.array([])], 2.0)
    assert (low + high) / 2 == 3.0
    assert high - low >= 2.0
    assert spanned([np.array([np.nan])], 2.0)[0] < spanned([np.array([np.nan])], 2.0)[1]


def test_axes_put_the_upper_value_above():
    axes = Axes((10, 20), (110, 220), (0, 1), (0, 1))
    assert (axes.at(0, 0), axes.at(1, 1)) == ((10, 220), (110, 20))


# --- tracks ---------------------------------------------------------------------------------------------------------


def test_a_track_is_drawn_in_the_time_of_the_model_with_the_apex_at_zero():
    own = drawn_track(result(track()), track())
    assert own.from_apex
    assert (own.time_s.min(), own.mark_s) == (pytest.approx(-3), pytest.approx(0.3))
    assert own.time_s[np.argmax(own.elevation_deg)] == pytest.approx(0, abs=0.05)
    assert own.arc[0][0] == pytest.approx(-3)


def test_an_azimuth_that_passes_north_is_one_line_and_the_arc_lies_on_it():
    for turns in (-2, 0, 1):
        seen = track()
        off = replace(fitted(seen), azimuth_rad=np.mod(seen.azimuth_rad[::10], 2 * np.pi) + turns * 2 * np.pi)
        own = drawn_track(replace(result(seen), fitted=(off,)), seen)
        assert np.abs(np.diff(own.azimuth_deg)).max() < 1
        assert own.arc[1] == pytest.approx(np.interp(own.arc[0], own.time_s, own.azimuth_deg), abs=0.1)


def test_without_an_arc_the_press_is_zero():
    own = drawn_track(result(track(), fit=False), track())
    assert (own.from_apex, own.mark_s, own.arc) == (False, 0.0, None)


def test_the_plot_shows_samples_arc_press_and_apex_where_they_are():
    figure = track_plot(result(track()), track())
    elevation, azimuth = drawn(figure, "held")[1:]  # the first is the legend's
    arc = drawn(figure, "arc")[1]
    _, mark, _ = drawn(figure, "mark")
    instants = drawn(figure, "instant")[1:]
    top = points(elevation)[np.argmin(points(elevation)[:, 1])]
    assert top[0] == pytest.approx(float(instants[0].get("x1")), abs=4)
    assert points(mark).mean(axis=0)[0] > float(instants[0].get("x1"))  # pressed after the apex
    assert points(arc)[:, 1].min() == pytest.approx(top[1], abs=0.5)
    assert points(azimuth)[0, 1] > points(azimuth)[-1, 1]  # turning to the right goes up


def test_a_long_track_is_thinned_to_a_few_hundred_points():
    longest = max(len(points(line)) for line in drawn(track_plot(result(track(100_000)), track(100_000)), "held"))
    assert 80 <= longest <= 160


@pytest.mark.parametrize("samples", [1, 2, 3])
def test_a_track_of_hardly_any_samples_is_still_a_figure(samples):
    ElementTree.fromstring(track_plot(result(track(samples), fit=False), track(samples)))


def test_a_track_with_gaps_is_drawn_where_it_is_known():
    gappy = track()
    gappy.elevation_rad[100:200] = np.nan
    for line in drawn(track_plot(result(gappy, fit=False), gappy), "held"):
        assert np.isfinite(points(line)).all()


# --- residuals ------------------------------------------------------------------------------------------------------

RESIDUALS = (
    Residual("A", 2 * DEG, -0.5 * DEG, 1 * DEG, 0.5 * DEG),
    Residual(HOSTILE, None, 90 * DEG, None, 0.5 * DEG),
    Residual("C", 0.1 * DEG, 0.0, None, 0.5 * DEG),
)


def test_an_arrow_is_as_long_as_the_residual_in_sigmas():
    figure = residual_plot(result(residuals=RESIDUALS))
    band = points(drawn(figure, "band")[0])  # one sigma to either side
    zero, unit = band[:, 0].mean(), np.ptp(band[:, 0]) / 2
    ends = [(float(line.get("x2")) - zero) / unit for line in drawn(figure, "residual")]
    assert ends == pytest.approx([2.0, -1.0, 4.0, 0.0], abs=0.02)  # 180 sigmas end at the edge, and the words tell


def test_only_residuals_whose_sigma_is_known_get_an_arrow_and_what_is_left_out_says_so():
    own = result(residuals=RESIDUALS, excluded=(Exclusion(HOSTILE, "elevation", "far off"),))
    assert [(row.station, row.quantity, row.left_out) for row in residual_rows(own)] == [
        ("A", "azimuth", False), ("A", "elevation", False), (HOSTILE, "elevation", True), ("C", "elevation", False)
    ]  # fmt: skip
    assert len(drawn(residual_plot(own), "residual dashed")) == 1
    assert "+90.00°, +180.0 σ" in [element.text for element in drawn(residual_plot(own), "tick")]


# --- the wind -------------------------------------------------------------------------------------------------------

SITE = Site("Meadow", (Station(HOSTILE, np.array([100.0, 0, 1]), 0.1, None, None, None, None, None, None),))


@pytest.mark.parametrize(("from_deg", "to"), [(0, (0, 1)), (90, (-1, 0)), (250, (0.94, -0.34))])
def test_the_arrow_points_where_the_wind_blows_to(from_deg, to):
    site = replace(SITE, wind_m_s=3.0, wind_from_rad=from_deg * DEG)
    (arrow,) = drawn(site_map(DayResult(site, ())), "wind")
    along = np.array([float(arrow.get("x2")) - float(arrow.get("x1")), float(arrow.get("y2")) - float(arrow.get("y1"))])
    assert along / np.linalg.norm(along) == pytest.approx(np.array(to), abs=0.01)  # y is downwards


def test_the_wind_is_told_as_stated_or_not_at_all():
    assert wind_words(SITE) == ""
    assert drawn(site_map(DayResult(SITE, ())), "wind") == []
    windy = replace(SITE, wind_m_s=3.048)
    assert (wind_words(windy), wind_words(windy, Manner(feet=True))) == ("3.0 m/s", "10.0 ft/s")


def corner_names(**site):
    """Return where the figure has the names of a station in the middle and of two in the upper corners, and their discs."""
    places = {"Middle": (0.0, 0.0), "Left": (-100.0, 100.0), "Right": (100.0, 100.0), "Low": (0.0, -60.0)}
    stations = tuple(replace(SITE.stations[0], id=name, position_m=np.array([*at, 1.0])) for name, at in places.items())
    figure = site_map(DayResult(replace(SITE, stations=stations, **site), ()))
    height = {name.text: float(name.get("y")) for name in drawn(figure, "name") if name.text != "N"}
    discs = dict(zip(places, (float(disc.get("cy")) for disc in drawn(figure, "station")), strict=True))
    return {name: height[name] - discs[name] for name in ("Left", "Right")}


def test_the_name_of_a_station_stands_by_its_disc_unless_the_wind_is_told_there():
    assert abs(corner_names()["Right"]) < 20
    assert corner_names(wind_m_s=3.0, wind_from_rad=1.0)["Right"] > 20


# --- the day in space -------------------------------------------------------------------------------------------------


def in_space(day, **how):
    root = ElementTree.fromstring(space_view(day, **how))
    return root, {style: [e for e in root.iter() if e.get("class") == style] for style in ("apex", "station", "plumb", "small")}


def test_in_space_every_place_is_told_in_metres_and_what_is_higher_is_drawn_higher():
    places = ([0, 0, 50], [0, 0, 100], [40, -30, 100])
    flights = tuple(result(flight=n, position_m=np.array(place, float)) for n, place in enumerate(places, 1))
    _, found = in_space(DayResult(SITE, flights))
    assert [apex.get("data-at") for apex in found["apex"]] == ["0.0,0.0,50.0", "0.0,0.0,100.0", "40.0,-30.0,100.0"]
    low, high, _ = (float(apex.get("cy")) for apex in found["apex"])
    assert high < low
    foot, top = points(found["plumb"][0])
    assert foot[0] == top[0] == float(found["apex"][0].get("cx"))


@given(st.floats(-5000, 5000), st.floats(-5000, 5000), st.floats(0, 3000))
def test_in_space_everything_lies_within_the_figure(east, north, up):
    root, _ = in_space(DayResult(SITE, (result(position_m=np.array([east, north, up])),)))
    for element in root.iter("circle"):
        assert 0 <= float(element.get("cx")) <= 400
        assert 0 <= float(element.get("cy")) <= 400


def test_in_space_heights_are_ruled_in_the_unit_that_is_asked_for():
    day = DayResult(SITE, (result(),))  # 100 m
    assert [e.text for e in in_space(day)[1]["small"]] == ["50 m", "100 m"]
    assert [e.text for e in in_space(day, manner=Manner(feet=True))[1]["small"]] == ["100 ft", "200 ft", "300 ft"]


def test_a_hostile_name_in_space_stays_text():
    root, _ = in_space(DayResult(replace(SITE, name=HOSTILE), (result(),)))
    assert {element.tag for element in root.iter()} == {"svg", "polyline", "circle", "text"}


# --- figures as files -----------------------------------------------------------------------------------------------


def test_no_name_of_a_station_reaches_a_file_name():
    day = DayResult(SITE, (result(track(name=HOSTILE)),))
    assert set(day_figures(day)) == {"map", "space", "flight-1-track-1"}


def test_a_standalone_figure_carries_its_styles_and_a_white_sheet():
    root = ElementTree.fromstring(standalone(site_map(DayResult(SITE, ()))).encode())
    kinds = [element.tag.removeprefix("{http://www.w3.org/2000/svg}") for element in root]
    assert kinds[:2] == ["style", "rect"]
    assert ".station" in root[0].text


def test_many_pictures_come_in_their_order_whoever_draws_them():
    sizes = [100 + n for n in range(64)]
    drawings = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 720 {size}"/>' for size in sizes]
    assert [int.from_bytes(png[20:24], "big") for png in pngs(drawings)] == sizes
