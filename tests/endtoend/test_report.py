"""The report as files: every number on the page is the number in the JSON, rounded; tables and pictures are whole and harmless."""

import csv
import io
import json
import re
import shutil
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from click.testing import CliRunner

from apexfix.cli import main
from apexfix.cli.report_files import write_report
from apexfix.model import BootClock, UnitHealth
from apexfix.reduce.day import reduce_day
from apexfix.sim.tracked_day import tracked_day

FOOT = 0.3048  # metres, exactly (international yard and pound agreement, 1959)
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")

UNIT = UnitHealth(
    unit="u01", serial="e661", station="gate", imu="MPU-6050", firmware="0.1.0", calibration="=bench-7",
    calibrated_utc="2026-05-01T08:00:00Z", calibration_age_days=43.1, calibrated_celsius=(12.0, 29.5), sigma_elevation_rad=0.002,
    sigma_azimuth_rad=None, sigma_elevation_zero_rad=0.001, concerns=("the unit was at 41 °C",),
    clocks=(
        BootClock(1, "9f3a01c2", 16, 1_781_334_097_623_341, 0.00031, 19.98e-6, 0.25e-6),
        BootClock(2, "9f3a01c2", 0, None, None, None, None),
    ),
    celsius=(19.7, 41.2), supply_v=(4.88, 4.91), free_bytes=1_234_567, lost_samples=56,
)  # fmt: skip


@pytest.fixture(scope="module")
def answers():
    """Four flights: the second with a reading left out and a mark set aside, the fourth unsolved."""
    site, flights = tracked_day(np.random.default_rng(5), 4)
    lonely = replace(flights[3], sightings=flights[3].sightings[:1], tracks=flights[3].tracks[:1])
    found = reduce_day(site, (*flights[:3], lonely))
    return replace(found, units=(UNIT,), remarks=(*found.remarks, "2 of 12 marks may belong elsewhere"))


@pytest.fixture(scope="module", params=[False, True], ids=["metres", "feet"])
def written(answers, request, tmp_path_factory):
    """The page and the JSON as files, and the length of the unit that the page is in."""
    page = write_report(answers, tmp_path_factory.mktemp("day"), feet=request.param)
    document = json.loads((page.parent / "results.json").read_text(encoding="utf-8"))
    return page.read_text(encoding="utf-8"), document, FOOT if request.param else 1.0


# --- the numbers of a page, in their order --------------------------------------------------------------------------


class Body(HTMLParser):
    """The texts of a page's body outside its figures."""

    def __init__(self, text):
        super().__init__()
        self.inside, self.texts, self.widths = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag in {"svg", "head", "script"}:
            self.inside.append(tag)
        self.widths += [value for name, value in attrs if name == "style"]

    def handle_endtag(self, tag):
        if self.inside and tag == self.inside[-1]:
            self.inside.pop()

    def handle_data(self, data):
        if not self.inside:
            self.texts.append(data.replace("\xa0", " ").replace("95 %", ""))


def numbers(text):
    return NUMBER.findall(text)


def shown(html):
    """Return every number that a reader of the page sees outside the figures."""
    return [number for text in Body(html).texts for number in numbers(text)]


# --- the numbers that the JSON asks for -----------------------------------------------------------------------------


def places(sigma):
    """Two digits of a sigma, at most three decimals: the rule of docs/guide.md, section 6, worked out by trying."""
    return next((n for n in range(3) if float(f"{sigma:.2g}") * 10**n >= 9.95), 3)


def told(value, digits):
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text


def angle(value, sign=""):
    return [] if value is None else [f"{value:{sign}.2f}"]


def said(sentence, unit_m):
    """The numbers of a sentence: those before a word "m", or before a range that ends with one, are lengths."""
    words = sentence.split()
    for word, *after in zip(words, *(words[n:] + n * [""] for n in (1, 2, 3)), strict=True):
        unit = after[2] if after[0] in ("to", "..") else after[0]
        is_length = unit.rstrip(",.;:)") == "m"
        for number in numbers(word):
            yield told_in_feet(number) if is_length and unit_m == FOOT else number


def told_in_feet(number):
    return f"{float(number) / FOOT:{'+' if number.startswith('+') else ''}.{len(number.partition('.')[2])}f}"


def clock_time(text, zone, digits):
    moment = datetime.fromisoformat(text).astimezone(ZoneInfo(zone))
    return numbers(f"{moment:%Y-%m-%d %H:%M:%S}.{f'{moment.microsecond:06d}'[:digits]}")


def expected(document, unit_m):
    zone = document["site"]["timezone"]
    for flight in document["flights"]:
        yield str(flight["flight"])
        yield from height(flight, unit_m)
        yield from interval(flight, unit_m)
        yield from [] if flight["closure_percent"] is None else [told(flight["closure_percent"], 1)]
    for remark in document["remarks"]:
        yield from said(remark, unit_m)
    yield from (told(document["site"]["wind_m_s"] / unit_m, 1), told(document["site"]["wind_from_deg"], 0))
    for flight in document["flights"]:
        yield from section(flight, unit_m, zone)
    for unit in document["units"]:
        yield from of_unit(unit, zone)


def height(flight, unit_m):
    if flight["height_m"] is None:
        return []
    digits = places(flight["sigma_m"] / unit_m)
    return [told(flight["height_m"] / unit_m, digits), told(flight["sigma_m"] / unit_m, digits)]


def interval(flight, unit_m):
    ends = flight["interval95_m"] or []
    return [told(end / unit_m, places(flight["sigma_m"] / unit_m)) for end in ends]


def section(flight, unit_m, zone):
    yield str(flight["flight"])
    yield from height(flight, unit_m)
    yield from interval(flight, unit_m)
    if flight["height_m"] is not None:
        # west and south are told in words, which test_a_place_is_told_by_the_quarter_it_lies_in reads
        yield told(abs(flight["east_m"]) / unit_m, places(flight["sigma_east_m"] / unit_m))
        yield told(abs(flight["north_m"]) / unit_m, places(flight["sigma_north_m"] / unit_m))
        yield from clock_time(flight["time_utc"], zone, 1)
    yield from (number for reason in flight["reasons"] for number in said(reason, unit_m))
    for track in flight["tracks"]:
        digits = places(track["sigma_offset_s"])
        yield from (told(track["offset_s"], digits), told(track["sigma_offset_s"], digits))
        yield from (told(track["rms_deg"], 2), told(track["misfit"], 2))
    digits = 1 if flight["sigma_m"] is None else places(flight["sigma_m"] / unit_m)
    yield from (told(height_m / unit_m, digits) for height_m in flight["methods"].values())
    for sigma_m, share in shares(flight):
        yield from (told(sigma_m / unit_m, digits), f"{share:.0f}")
    residuals = {residual["station"]: residual for residual in flight["residuals"]}
    for reading in flight["readings"]:
        residual = residuals.get(reading["station"], {"azimuth_deg": None, "elevation_deg": None})
        for quantity in ("azimuth_deg", "elevation_deg"):
            yield from (*angle(reading[quantity]), *angle(residual[quantity], "+"))
        yield from numbers(reading["note"])
    yield from (number for excluded in flight["excluded"] for number in said(excluded["reason"], unit_m))


def shares(flight):
    whole = sum(sigma_m**2 for sigma_m in flight["budget_m"].values())
    return [(sigma_m, 100 * sigma_m**2 / whole) for sigma_m in sorted(flight["budget_m"].values(), reverse=True)]


def of_unit(unit, zone):
    for text in (unit["unit"], unit["serial"], unit["imu"], unit["firmware"], unit["calibration"]):
        yield from numbers(text)
    yield from (*numbers(unit["calibrated_utc"]), told(unit["calibration_age_days"], 0))
    yield from (told(end, 0) for end in unit["calibrated_celsius"])
    yield from (*angle(unit["sigma_elevation_deg"]), *angle(unit["sigma_azimuth_deg"]), *angle(unit["sigma_elevation_zero_deg"]))
    yield from (told(end, 0) for end in unit["celsius"])
    yield from (told(end, 2) for end in unit["supply_v"])
    yield from (told(unit["free_bytes"] / 1e6, 1), str(unit["lost_samples"]))
    for clock in unit["clocks"]:
        yield from (str(clock["boot"]), *numbers(clock["log"]))
        if clock["zero_utc"] is not None:
            digits = places(clock["sigma_drift_ppm"])
            yield from (str(clock["exchanges"]), told(clock["drift_ppm"], digits), told(clock["sigma_drift_ppm"], digits))
            yield from (*clock_time(clock["zero_utc"], zone, 3), told(clock["sigma_zero_s"] * 1000, 1))
    yield from (number for concern in unit["concerns"] for number in numbers(concern))


# --- the tests ------------------------------------------------------------------------------------------------------


def test_every_number_on_the_page_is_the_number_in_the_json(written):
    page, document, unit_m = written
    wanted = list(expected(document, unit_m))
    found = shown(page)
    assert len(found) > 200
    assert found == wanted


def test_the_day_holds_all_that_a_page_can_show(written):
    _, document, _ = written
    assert any(flight["excluded"] and flight["residuals"] for flight in document["flights"])
    assert any(flight["tracks"] for flight in document["flights"])
    assert any(flight["verdict"] == "unsolved" for flight in document["flights"])


def test_any_digit_changed_on_the_page_is_noticed(written):
    page, document, unit_m = written
    wanted = list(expected(document, unit_m))
    passed_over = r"^.*?<body>|<svg.*?</svg>|<script.*?</script>|<[^>]*>|&#\d+;|95(?:&nbsp;| )%"
    digits = [match.start(1) for match in re.finditer(passed_over + r"|(\d)", page, re.DOTALL) if match[1]]
    assert len(digits) > 600
    for at in np.random.default_rng(3).choice(digits, 25, replace=False).tolist():
        changed = page[:at] + str((int(page[at]) + 3) % 10) + page[at + 1 :]
        assert shown(changed) != wanted, page[at - 40 : at + 40]


def test_the_bars_are_as_long_as_their_shares(written):
    page, document, _ = written
    wanted = [f"width: {share:.1f}%" for flight in document["flights"] for _, share in shares(flight)]
    assert Body(page).widths == wanted


def texts_of(figure):
    return [element.text for element in ElementTree.fromstring(figure).iter() if element.tag.endswith("text")]


def test_the_numbers_in_the_figures_are_those_of_the_json(written):
    page, document, unit_m = written
    figures = {title: figure for figure, title in re.findall(r'(<svg[^>]*aria-label="([^"]*)">.*?</svg>)', page, re.DOTALL)}
    for flight in document["flights"]:
        if flight["height_m"] is None:
            continue
        unit = "m" if unit_m == 1 else "ft"
        wanted = "{} ± {} ".format(*height(flight, unit_m)) + unit
        assert wanted in texts_of(figures[f"Flight {flight['flight']} from the side"])
        arrows = [text for text in texts_of(figures[f"Flight {flight['flight']}: residuals"]) if "σ" in text]
        pairs = [
            (residual[f"{quantity}_deg"], residual[f"sigma_{quantity}_deg"])
            for residual in flight["residuals"]
            for quantity in ("azimuth", "elevation")
        ]
        wanted = [f"{value:+z.2f}°, {value / sigma:+z.1f} σ" for value, sigma in pairs]
        assert arrows == wanted


def test_the_page_stands_alone(written):
    page, _, _ = written
    assert not re.search(r"https?:|url\(|@import|<script [a-z]|<link|<img", page)


def test_every_table_is_a_file_for_spreadsheets_without_a_formula(answers, tmp_path):
    folder = write_report(answers, tmp_path).parent
    document = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    rows = {path.stem: list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")))) for path in folder.glob("*.csv")}
    assert rows.keys() == {
        "results", "sightings", "readings", "residuals", "methods", "budget", "excluded", "tracks", "units", "clocks"
    }  # fmt: skip
    for name in ("readings", "residuals", "excluded", "tracks"):
        wanted = [{"flight": flight["flight"], **row} for flight in document["flights"] for row in flight[name]]
        assert len(rows[name]) == len(wanted) > 0
        for row, own in zip(rows[name], wanted, strict=True):
            assert all(row[key].removeprefix("'") == ("" if value is None else str(value)) for key, value in own.items())
    assert [(row["flight"], row["source"], float(row["sigma_m"])) for row in rows["budget"]] == [
        (str(flight["flight"]), source, sigma_m) for flight in document["flights"] for source, sigma_m in flight["budget_m"].items()
    ]
    assert [row["note"] for row in rows["readings"] if row["note"]] == ["'=bumped the stand"]
    assert (rows["units"][0]["calibration"], rows["units"][0]["celsius_high"]) == ("'=bench-7", "41.2")
    assert [row["exchanges"] for row in rows["clocks"]] == ["16", "0"]


def test_feet_stay_out_of_every_file_but_the_page(answers, tmp_path):
    for feet in (False, True):
        write_report(answers, tmp_path / str(feet), feet=feet)
    for path in (tmp_path / "False" / "report").iterdir():
        same = path.read_bytes() == (tmp_path / "True" / "report" / path.name).read_bytes()
        assert same == (path.name != "report.html"), path.name


def test_every_figure_is_an_svg_and_a_png_of_its_own(answers, tmp_path):
    few = replace(answers, flights=answers.flights[1:2])
    page = write_report(few, tmp_path, pictures=True)
    inline = re.findall(r"<svg.*?</svg>", page.read_text(encoding="utf-8"), re.DOTALL)
    svgs = sorted((page.parent / "figures").glob("*.svg"))
    assert len(svgs) == len(inline) == 2 + 2 + 1 + 3  # map, day in space; plan, side; residuals; tracks
    for path in svgs:
        root = ElementTree.parse(path).getroot()
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        png = path.with_suffix(".png").read_bytes()
        assert png[:8] == b"\x89PNG\r\n\x1a\n"  # the signature, ISO/IEC 15948, section 5.2
        width, tall = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))
        box = [float(value) for value in root.get("viewBox").split()]
        assert (width, tall) == (720, pytest.approx(720 * box[3] / box[2], abs=1))


@pytest.fixture
def example(root, tmp_path):
    shutil.copytree(root / "docs" / "example-day", tmp_path / "day")
    return tmp_path / "day"


def test_the_command_writes_feet_and_pictures_when_it_is_asked_to(example):
    done = CliRunner().invoke(main, ["report", str(example), "--feet", "--pictures"])
    assert done.exit_code == 0, done.output
    assert re.search(r"\d ft</strong>", (example / "report" / "report.html").read_text(encoding="utf-8"))
    flights = json.loads((example / "report" / "results.json").read_text(encoding="utf-8"))["flights"]
    names = {path.name for path in (example / "report" / "figures").iterdir()}
    assert {f"flight-{flight['flight']}-side.{kind}" for flight in flights for kind in ("svg", "png")} < names


def test_the_table_of_a_day_is_told_in_feet_and_its_json_in_metres(example):
    metres, feet = (CliRunner().invoke(main, ["reduce", str(example), *more]).stdout for more in ((), ("--feet",)))
    heights = [[float(row[1]) for row in re.findall(r"^ +(\d) +([\d.]+) ±", text, re.MULTILINE)] for text in (metres, feet)]
    assert len(heights[0]) == 4
    assert heights[1] == pytest.approx([height / FOOT for height in heights[0]], abs=0.7)  # both are rounded
    documents = [CliRunner().invoke(main, ["reduce", str(example), "--json", *more]).stdout for more in ((), ("--feet",))]
    assert documents[0] == documents[1]
