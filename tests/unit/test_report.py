"""A day's answers as text, JSON, CSV and HTML: the same figures everywhere, and nothing that a name could break."""

import csv
import dataclasses
import io
import json
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.geometry import angles
from apexfix.model import DayResult, Exclusion, FlightResult, Residual, Sighting, Site, Station, UnitHealth, Verdict
from apexfix.report.csvout import day_csv
from apexfix.report.figures import elevation_view, ellipse95, plan_view, site_map
from apexfix.report.ground import frame_around
from apexfix.report.html import bars, day_html
from apexfix.report.jsonout import day_document, day_json
from apexfix.report.rounding import decimals, place_words, stations_used
from apexfix.report.text import day_text
from apexfix.units import DEG

HOSTILE = "<script>alert('1')</script>\"&"
PLACES = {"A": (150.0, 0.0, 1.5), "B": (-80.0, 130.0, 1.5), HOSTILE: (-90.0, -120.0, 2.0)}


def station(name):
    return Station(name, np.array(PLACES[name]), 0.1, None, None, None, None, None, None)


def sighting(flight, name, apex_m, azimuth=True):
    azimuth_rad, elevation_rad = (float(angle) for angle in angles(np.array(apex_m) - PLACES[name]))
    return Sighting(flight, name, None, azimuth_rad if azimuth else None, elevation_rad, note="=1+1 <b>note</b>")


def solved(flight, apex_m=(5.0, 12.0, 141.04), sigmas_m=(1.0, 1.5, 2.345), **changes):
    sightings = tuple(sighting(flight, name, apex_m, azimuth=name != "B") for name in PLACES)
    result = FlightResult(
        flight=flight,
        verdict=Verdict.ACCEPTED,
        reasons=("=the readings agree",),
        position_m=np.array(apex_m),
        covariance_m2=np.diag(sigmas_m) ** 2,
        interval95_m=(apex_m[2] - 4.4, apex_m[2] + 4.8),
        closure_percent=2.34,
        method="weighted least squares",
        methods={"weighted least squares": apex_m[2], "crossing azimuths": 143.21},
        residuals=tuple(Residual(s.station, None if s.azimuth_rad is None else 0.001, -0.002, None, 0.004) for s in sightings),
        excluded=(Exclusion("B", "mark", "a press by mistake"),),
        budget_m={"survey": 0.5, "pointing": 2.0},
        utc_us=1_777_630_830_500_000,
        sightings=sightings,
    )
    return dataclasses.replace(result, **changes)


def unsolved(flight):
    return FlightResult(
        flight=flight,
        verdict=Verdict.UNSOLVED,
        reasons=("one station only; a position needs two",),
        position_m=None,
        covariance_m2=None,
        interval95_m=None,
        closure_percent=None,
        method="",
        methods={},
        sightings=(sighting(flight, "A", (0, 0, 100)), sighting(flight, "B", (0, 0, 100), azimuth=False)),
    )


def day(*flights):
    return DayResult(Site("Meadow " + HOSTILE, tuple(station(name) for name in PLACES)), flights, ("a remark",))


DAY = day(solved(1), solved(2, (-30.0, 8.0, 96.0), (2.0, 2.0, 14.0), verdict=Verdict.REJECTED), unsolved(3))


# --- rounding -------------------------------------------------------------------------------------------------------


@given(st.floats(0.0095, 99))
def test_a_sigma_keeps_two_digits(sigma):
    digits = f"{sigma:.{decimals(sigma)}f}".lstrip("0.").replace(".", "").lstrip("0")
    assert len(digits) == 2 or (sigma < 0.01 and len(digits) >= 1)


@pytest.mark.parametrize(
    ("east_m", "north_m", "words"),
    [(5.0, 12.0, "5.0 m east, 12.0 m north"), (-5.0, 12.0, "5.0 m west, 12.0 m north"), (5.0, -12.0, "5.0 m east, 12.0 m south")],
)
def test_a_place_is_told_by_the_quarter_it_lies_in(east_m, north_m, words):
    assert place_words(solved(1, (east_m, north_m, 141.0))) == f"{words} of the pad"


def test_both_ways_of_a_place_have_the_digits_that_the_less_known_leaves():
    assert place_words(solved(1, (-13.83, -91.2, 141.0), sigmas_m=(0.8, 1.4, 2.0))) == "13.8 m west, 91.2 m south of the pad"


def test_only_stations_with_a_reading_in_use_count_as_used():
    out = (("A", "azimuth"), ("A", "elevation"), ("B", "mark"), (HOSTILE, "azimuth"))
    excluded = tuple(Exclusion(name, quantity, "") for name, quantity in out)
    assert stations_used(solved(1, excluded=excluded)) == ("B", HOSTILE)
    assert stations_used(solved(1, excluded=(Exclusion("B", "elevation", ""),))) == ("A", HOSTILE)


# --- text -----------------------------------------------------------------------------------------------------------


def test_the_table_is_aligned_and_rounds_by_the_uncertainty():
    lines = day_text(DAY).split("\n")
    header, *rows = lines[2:6]
    assert rows[0].split()[:9] == ["1", "141.0", "±", "2.3", "m", "136.6", "to", "145.8", "m"]
    assert rows[1].split()[:9] == ["2", "96", "±", "14", "m", "92", "to", "101", "m"]
    assert rows[2].split() == ["3", "-", "-", "unsolved", "-", "A,", "B"]
    words = ("verdict", "accepted", "rejected", "unsolved")
    assert len({row.index(word) for row, word in zip((header, *rows), words, strict=True)}) == 1


def test_every_reason_and_everything_left_out_is_told():
    text = " ".join(day_text(DAY).split())
    for words in ("=the readings agree", "one station only; a position needs two", "mark of B: a press by mistake", "a remark"):
        assert words in text


# --- JSON -----------------------------------------------------------------------------------------------------------

NUMBER, MAYBE = (int, float), (int, float, type(None))
KEYS = {
    "flight": int, "verdict": str, "reasons": list, "height_m": MAYBE, "sigma_m": MAYBE, "interval95_m": (list, type(None)),
    "east_m": MAYBE, "north_m": MAYBE, "closure_percent": MAYBE, "method": str, "methods": dict, "residuals": list,
    "excluded": list, "sigma_east_m": MAYBE, "sigma_north_m": MAYBE, "time_utc": (str, type(None)), "budget_m": dict,
    "readings": list, "tracks": list,
}  # fmt: skip


def check_flight(flight):
    assert list(flight) == list(KEYS)
    assert all(isinstance(flight[key], kind) for key, kind in KEYS.items())
    assert flight["verdict"] in {"accepted", "doubtful", "rejected", "unsolved"}
    assert all(isinstance(reason, str) for reason in flight["reasons"])
    assert flight["interval95_m"] is None or [isinstance(end, NUMBER) for end in flight["interval95_m"]] == [True, True]
    assert all(isinstance(name, str) and isinstance(height, MAYBE) for name, height in flight["methods"].items())
    for residual in flight["residuals"]:
        assert list(residual) == ["station", "azimuth_deg", "elevation_deg", "sigma_azimuth_deg", "sigma_elevation_deg"]
        assert all(isinstance(value, MAYBE) for name, value in residual.items() if name != "station")
    for reading in flight["readings"]:
        assert list(reading) == ["station", "time_utc", "azimuth_deg", "elevation_deg", "source", "note"]
    for excluded in flight["excluded"]:
        assert list(excluded) == ["station", "quantity", "reason"]
        assert all(isinstance(value, str) for value in excluded.values())


def test_what_should_worry_somebody_about_a_unit_is_in_the_text():
    unknown = dict.fromkeys(field.name for field in dataclasses.fields(UnitHealth))
    health = UnitHealth(**{**unknown, "unit": "u01", "concerns": ("the calibration is 400 days old",)})
    assert "remark: unit u01: the calibration is 400 days old" in day_text(dataclasses.replace(DAY, units=(health,)))


def test_the_json_has_exactly_the_keys_and_kinds_of_its_stable_format():
    document = json.loads(day_json(DAY))
    assert list(document) == ["format", "flights", "site", "remarks", "units"]
    assert document["format"] == 1
    assert document["remarks"] == ["a remark"]
    assert document["site"] == {"name": "Meadow " + HOSTILE, "timezone": None, "wind_m_s": None, "wind_from_deg": None}
    assert len(document["flights"]) == 3
    for flight in document["flights"]:
        check_flight(flight)


def test_json_carries_full_numbers_in_degrees_and_metres():
    first = json.loads(day_json(DAY))["flights"][0]
    assert (first["height_m"], first["east_m"], first["north_m"], first["sigma_m"]) == (141.04, 5.0, 12.0, 2.345)
    residual = first["residuals"][0]
    assert (residual["azimuth_deg"], residual["elevation_deg"]) == (0.001 / DEG, -0.002 / DEG)
    assert (residual["sigma_azimuth_deg"], residual["sigma_elevation_deg"]) == (None, 0.004 / DEG)
    assert (first["sigma_east_m"], first["sigma_north_m"], first["budget_m"]) == (1.0, 1.5, {"survey": 0.5, "pointing": 2.0})
    assert first["time_utc"] == "2026-05-01T10:20:30.500000Z"
    assert first["residuals"][1]["azimuth_deg"] is None


def test_what_is_not_finite_becomes_null_and_never_nan():
    broken = solved(1, methods={"a": float("nan")}, closure_percent=float("inf"), interval95_m=(float("-inf"), 150.0))
    (flight,) = json.loads(day_json(day(broken)), parse_constant=pytest.fail)["flights"]
    assert (flight["methods"], flight["closure_percent"], flight["interval95_m"]) == ({"a": None}, None, [None, 150.0])
    for text in (day_text(day(broken)), day_html(day(broken))):
        assert not re.search(r"\bnan\b|\binf\b", text)


# --- CSV ------------------------------------------------------------------------------------------------------------


def test_the_csv_has_the_numbers_of_the_json_and_no_formula():
    rows = list(csv.DictReader(io.StringIO(day_csv(DAY))))
    for row, flight in zip(rows, day_document(DAY)["flights"], strict=True):
        for name in ("height_m", "sigma_m", "east_m", "north_m", "closure_percent"):
            assert row[name] == ("" if flight[name] is None else str(flight[name]))
    assert rows[0]["reasons"] == "'=the readings agree"
    assert (rows[0]["interval95_low_m"], rows[2]["interval95_low_m"]) == (str(141.04 - 4.4), "")


# --- HTML -----------------------------------------------------------------------------------------------------------


class Page(HTMLParser):
    """The tags, the attributes and the texts of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.texts, self.rows = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag == "tr":
            self.rows.append([])
        if tag in {"td", "th"}:
            self.rows[-1].append("")

    def handle_data(self, data):
        self.texts.append(data)
        if self.rows and self.rows[-1]:
            self.rows[-1][-1] += data.strip()


def test_a_hostile_name_stays_text():
    page = Page(day_html(DAY))
    assert page.tags.count("script") == 1  # our own, which turns the figure in space
    assert "b" not in page.tags
    assert sum(HOSTILE in text for text in page.texts) >= 5  # title, heading, tables, but shortened in figures
    assert not [name for name, _ in page.attributes if name.startswith("on")]


def test_the_page_asks_nothing_of_a_network():
    text = day_html(DAY)
    page = Page(text)
    assert not {"link", "img", "iframe", "object", "embed", "base", "form"} & set(page.tags)
    assert [value for name, value in page.attributes if name in {"src", "href"} and not value.startswith("#")] == []
    assert not re.search(r"https?:|url\(|@import|fetch\(|XMLHttp|import\(|WebSocket|eval\(|innerHTML", text)


def test_the_figures_of_the_table_are_those_of_the_json_rounded_by_sigma():
    rows = Page(day_html(DAY)).rows[1:4]
    for row, flight in zip(rows, json.loads(day_json(DAY))["flights"], strict=True):
        assert row[0] == str(flight["flight"])
        if flight["verdict"] == "unsolved":
            assert (row[1], row[2]) == ("-", "-")
            continue
        places = {2.345: 1, 14.0: 0}[flight["sigma_m"]]  # two digits: 2.3 and 14
        assert row[1] == f"{flight['height_m']:.{places}f} ± {flight['sigma_m']:.{places}f} m"
        assert row[2] == "{:.{p}f} to {:.{p}f} m".format(*flight["interval95_m"], p=places)
        assert row[4] == f"{flight['closure_percent']:.1f} %"
        assert flight["verdict"] in row[3]


def test_the_page_tells_verdict_methods_budget_exclusions_and_cautions_in_words():
    text = " ".join(" ".join(Page(day_html(DAY)).texts).split())
    for words in (
        "The readings contradict each other", "do not determine a height", "crossing azimuths", "143.2 m", "pointing", "94 %",
        "mark of B: a press by mistake", "2026-05-01 10:20:30.5 UTC", "serious eye damage", "without its parachute",
        "Local codes, the landowner and licensed practice decide",
    ):  # fmt: skip
        assert words in text


def test_budget_shares_are_those_of_the_variance_and_sum_to_a_hundred():
    shares = bars(solved(1))
    assert [(bar.source, bar.sigma) for bar in shares] == [("pointing", "2.0"), ("survey", "0.5")]
    assert [bar.percent for bar in shares] == pytest.approx([100 * 4 / 4.25, 100 * 0.25 / 4.25])


# --- figures --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("result", [DAY.flights[0], DAY.flights[1], DAY.flights[2], solved(1, sightings=())])
def test_every_figure_is_well_formed_and_its_numbers_are_finite(result):
    for figure in (site_map(DAY), plan_view(result, DAY.site), elevation_view(result, DAY.site)):
        root = ElementTree.fromstring(figure)
        for element in root.iter():
            for name in ("x", "y", "x1", "y1", "x2", "y2", "cx", "cy"):
                assert np.isfinite(float(element.get(name, "0")))


def marks(figure, style):
    return [element for element in ElementTree.fromstring(figure).iter() if element.get("class") == style]


def test_the_map_is_to_scale_with_north_up_and_east_to_the_right():
    figure = site_map(DAY)
    drawn = np.array([[float(mark.get("cx")), -float(mark.get("cy"))] for mark in marks(figure, "station")])
    true_m = np.array([place[:2] for place in PLACES.values()])
    left, right = sorted(float(mark.get("x1")) for mark in marks(figure, "bar")[1:])
    (label,) = [e.text for e in marks(figure, "small") if e.text != "pad"]
    pixels_per_metre = (right - left) / float(label.removesuffix(" m"))
    assert drawn - drawn[0] == pytest.approx((true_m - true_m[0]) * pixels_per_metre, abs=0.6)


def test_lines_of_sight_without_errors_pass_through_the_apex_in_both_views():
    result = solved(1)
    for figure, lines in ((plan_view(result, DAY.site), 2), (elevation_view(result, DAY.site), 3)):
        apex = np.array([float(marks(figure, "apex")[0].get(axis)) for axis in ("cx", "cy")])
        sights = [*marks(figure, "sight"), *marks(figure, "sight dashed")]
        assert len(sights) == lines
        for sight in sights:
            start, end = (np.array([float(sight.get(f"{axis}{n}")) for axis in "xy"]) for n in (1, 2))
            along = (end - start) / np.linalg.norm(end - start)
            off = (apex - start) - along * (along @ (apex - start))
            assert np.linalg.norm(off) < 0.5  # pixels; coordinates are written to a tenth


def test_the_ellipse_holds_95_per_cent_of_normal_errors():
    covariance = np.array([[4.0, 1.5, 0], [1.5, 1.0, 0], [0, 0, 1.0]])
    corners = ellipse95(solved(1, apex_m=(0.0, 0.0, 100.0), covariance_m2=covariance))[:, :2]
    distance2 = np.einsum("ni,ij,nj->n", corners, np.linalg.inv(covariance[:2, :2]), corners)
    assert distance2 == pytest.approx(5.991, abs=0.001)  # chi-square, two degrees of freedom, 95 %: any table of it


def test_a_weak_fix_does_not_shrink_the_field_to_a_dot():
    weak = solved(1, sigmas_m=(1e6, 1e6, 1e6), interval95_m=(-1e6, 1e6))
    for figure in (site_map(day(weak)), plan_view(weak, DAY.site), elevation_view(weak, DAY.site)):
        drawn = [float(mark.get("cx")) for mark in marks(figure, "station")]
        assert max(drawn) - min(drawn) > 100


def test_a_frame_around_one_point_is_finite():
    frame = frame_around([np.zeros(3)], np.eye(3)[:2], (300.0, 300.0))
    assert all(np.isfinite(frame.at(np.zeros(3))))
