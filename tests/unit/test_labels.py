"""Words in figures: how wide they are, where they go, and that none is cut or struck through."""

from itertools import combinations, pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.compare.altimeter import ControlFlight
from apexfix.compare.answer import comparison
from apexfix.compare.pairing import paired
from apexfix.compare.plots import difference_plot, scatter_plot
from apexfix.model import DayResult, FlightResult, Site, Station, Verdict
from apexfix.reduce.day import reduce_day
from apexfix.report.figures import elevation_view, site_map
from apexfix.report.labels import spread, width
from apexfix.report.space import space_view
from apexfix.sim.tracked_day import tracked_day

# Advance widths in 2048ths of an em of DejaVu Sans Bold and DejaVu Sans 2.37 (table hmtx of the font files): of the faces that the
# style sheet of the figures names none is wider.
ADVANCES = {
    "W": (2259, 2025), "m": (2134, 1995), "w": (1892, 1675), "a": (1382, 1255), "i": (702, 569), "0": (1425, 1303),
    "A": (1585, 1401), ".": (778, 651), "l": (702, 569), "t": (979, 803), "b": (1466, 1300), "s": (1219, 1067), "-": (850, 739),
    "+": (1716, 1716), " ": (713, 651),
}  # fmt: skip
EM = 2048


@pytest.mark.parametrize("letter", ADVANCES)
def test_no_letter_is_wider_than_it_is_taken_for_nor_much_narrower(letter):
    bold, plain = ADVANCES[letter]
    for style, real in (("name", bold * 13 / EM), ("small", plain * 12 / EM)):
        assert real <= width(letter, style) < 1.8 * real


def station(name, east_m):
    return Station(name, np.array([east_m, 0.0, 1.0]), 0.1, *[None] * 6)


@pytest.mark.parametrize("view", [site_map, space_view])
@pytest.mark.parametrize("east_m", [-300.0, 300.0])
def test_a_name_of_sixteen_wide_letters_at_the_edge_of_a_figure_is_not_cut(view, east_m):
    stations = (station("W" * 16, east_m), station("B", -east_m))
    (name,) = (text for text in texts(view(DayResult(Site("Meadow", stations), ()))) if text.text == "W" * 16)
    long = 16 * ADVANCES["W"][0] * 13 / EM
    left = float(name.get("x")) + float(name.get("dx", "0")) - before(name, long)
    assert left >= 0
    assert left + long <= 400


@given(st.lists(st.floats(0, 300), min_size=1, max_size=6).map(sorted))
def test_heights_that_are_spread_are_apart_and_no_more_is_moved_than_has_to_be(heights):
    found = spread(heights, 14.0)
    assert all(b - a >= 14.0 - 1e-9 for a, b in pairwise(found))
    assert np.mean(found) == pytest.approx(np.mean(heights))
    if all(b - a >= 14.0 for a, b in pairwise(heights)):
        assert found == pytest.approx(heights)


# --- the plots of a comparison --------------------------------------------------------------------------------------


def told(differences):
    heights = [(100.0 + 20 * n + difference, 100.0 + 20 * n) for n, difference in enumerate(differences)]
    results = [
        FlightResult(n, Verdict.ACCEPTED, (), np.array([0, 0, own]), np.eye(3), (own - 2, own + 2), None, "", {})
        for n, (own, _) in enumerate(heights, 1)
    ]
    controls = [ControlFlight(f"line {n}", n, None, None, h, h, {"noise": 1.0}, {}, None) for n, (_, h) in enumerate(heights, 1)]
    pairing = paired(controls, {each.flight: None for each in results}, (), None)
    return comparison(DayResult(Site("Meadow", ()), tuple(results)), controls, pairing, ())


def before(text, long):
    """Return how much of a text stands to the left of its place."""
    return {"start": 0, "middle": long / 2, "end": long}[text.get("text-anchor")]


def texts(figure):
    return [element for element in ElementTree.fromstring(figure).iter() if element.tag == "text"]


def boxes(figure):
    """Return the words of a figure and the pixels that they take up, by a face as wide as the widest and 9 above the line."""
    found = []
    for text in texts(figure):
        long = sum(ADVANCES.get(letter, ADVANCES["A"])[1] for letter in text.text) * 12 / EM
        left = float(text.get("x")) - before(text, long)
        found.append((text.text, left, float(text.get("y")) - 9, left + long, float(text.get("y"))))
    return found


def flats(figure):
    """Return the level lines of a figure."""
    lines = [each for each in ElementTree.fromstring(figure).iter("line") if each.get("y1") == each.get("y2")]
    return [tuple(float(each.get(end)) for end in ("x1", "y1", "x2")) for each in lines if each.get("class") != "rule"]


CASES = {
    "limits about zero": (0.4, -0.9, 0.2, -0.5),
    "limits close to each other": (-2.0, -2.1, -2.05, -2.02, -1.98),
    "upper limit just below zero": (-1.6, -3.2, -2.6, -1.6, -2.4, -1.1),
    "one flight": (3.0,),
}


@pytest.mark.parametrize("differences", CASES.values(), ids=list(CASES))
def test_no_words_of_the_plot_of_differences_meet_or_are_struck_through(differences):
    figure = difference_plot(told(differences))
    words = boxes(figure)
    for (one, *a), (other, *b) in combinations(words, 2):
        assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]), (one, other)
    for x1, y, x2 in flats(figure):
        struck = [word for word, left, top, right, foot in words if top < y < foot and left < max(x1, x2) and min(x1, x2) < right]
        assert struck == []
    assert all(left >= 0 and right <= 400 for _, left, _, right, _ in words)


def test_flights_close_to_each_other_keep_numbers_that_can_be_told_apart():
    figure = scatter_plot(told((0.1, -20.0, -39.9)))
    numbers = [box for box in boxes(figure) if box[0] in "123"]
    for (_, *a), (_, *b) in combinations(numbers, 2):
        assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3])


# --- a flight from the side ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_no_line_of_a_flight_from_the_side_strikes_its_height_through(seed):
    site, flights = tracked_day(np.random.default_rng(seed), 1)
    (result,) = reduce_day(site, flights).flights
    figure = elevation_view(result, site)
    ((_, *words),) = [box for box in boxes(figure) if "±" in box[0]]
    left, top, right, foot = words
    for each in ElementTree.fromstring(figure).iter("line"):
        x1, y1, x2, y2 = (float(each.get(end)) for end in ("x1", "y1", "x2", "y2"))
        along = np.linspace(0, 1, 500)
        x, y = x1 + along * (x2 - x1), y1 + along * (y2 - y1)
        assert not np.any((left < x) & (x < right) & (top < y) & (y < foot))
