"""The report in a real browser: for all who read it, on a laptop, on a phone and on paper."""

from dataclasses import replace

import numpy as np
import pytest

from apexfix.model import BootClock, UnitHealth, Verdict
from apexfix.reduce.day import reduce_day
from apexfix.report.html import day_html
from apexfix.report.rounding import Manner
from apexfix.sim.tracked_day import tracked_day

WIDTHS = (1280, 390, 320)  # a laptop, a phone, and the narrowest that WCAG 2.2 asks for (criterion 1.4.10)
SMALLEST_PX = 10.0  # of a letter's height in a figure: what a phone's own small print has, common practice
LONG_NAME = "the old oak behind the lower gate of Larkfield"

UNIT = UnitHealth(
    "u01", "ed613b6b3f3b8db2", "gate", "MPU-6050", "0.1.0", "u01-bench-2026-05-01-after-the-repair", "2026-05-01T08:00:00Z", 43.1,
    (12.0, 29.5), 0.002, None, 0.001, ("the unit was at 41 °C",),
    (BootClock(1, "9f3a", 16, 1_781_334_097_623_341, 0.00031, 2e-5, 2.5e-7), BootClock(2, "9f3a", 0, None, None, None, None)),
    (19.7, 41.2), (4.88, 4.91), 1_234_567, 56,
)  # fmt: skip


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """Where the report of four flights stands: one with a reading left out, one unsolved; one station with a long name."""
    site, flights = tracked_day(np.random.default_rng(5), 4)
    lonely = replace(flights[3], sightings=flights[3].sightings[:1], tracks=flights[3].tracks[:1])
    day = reduce_day(site, (*flights[:3], lonely))
    verdicts = (Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED)  # each has its colour
    shown = [replace(result, verdict=verdict) for result, verdict in zip(day.flights, verdicts, strict=False)]
    day = replace(day, flights=(*shown, day.flights[3]))
    day = replace(day, units=(UNIT, replace(UNIT, unit="u02")), remarks=(*day.remarks, f"station {LONG_NAME}: " + "x" * 90))
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(day_html(day, Manner(timezone=site.timezone)), encoding="utf-8")
    return path.as_uri()


@pytest.mark.parametrize("width", WIDTHS)
def test_axe_finds_nothing_serious(page, axe_violations, address, width):
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(address)
    assert axe_violations(page) == []


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_but_a_table_in_its_own_frame_is_wider_than_the_window(page, address, width):
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(address)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [1280, 390])
def test_no_letter_in_a_figure_is_too_small_to_read(page, address, width):
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(address)
    sizes = page.evaluate(
        """[...document.querySelectorAll('svg text')].map(text => {
            const svg = text.ownerSVGElement, scale = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
            return parseFloat(getComputedStyle(text).fontSize) * scale; })"""
    )
    assert len(sizes) > 100
    assert min(sizes) >= SMALLEST_PX


OVERLAPPING = """[...document.querySelectorAll('svg')].flatMap(svg => {
    const boxes = [...svg.querySelectorAll('text')].map(text => [text.textContent, text.getBoundingClientRect()]);
    const frame = svg.getBoundingClientRect();
    const told = [];
    boxes.forEach(([one, a], n) => {
        if (a.left < frame.left - 1 || a.right > frame.right + 1 || a.top < frame.top - 1 || a.bottom > frame.bottom + 1)
            told.push(svg.getAttribute('aria-label') + ': ' + one + ' is cut off');
        boxes.slice(n + 1).forEach(([other, b]) => {
            const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
            const tall = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
            if (wide > 2 && tall > 4) told.push(svg.getAttribute('aria-label') + ': ' + one + ' over ' + other);
        });
    });
    return told;
})"""


def test_no_words_in_a_figure_hide_each_other_or_are_cut_off(page, address):
    page.goto(address)
    assert page.evaluate(OVERLAPPING) == []


def test_the_keyboard_reaches_every_flight_and_every_wide_table(page, address):
    page.goto(address)
    reached = []
    for _ in range(4 + 4 + 8):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.getAttribute('href') || document.activeElement.ariaLabel"))
    assert reached[:4] == [f"#flight-{n}" for n in (1, 2, 3, 4)]
    assert {"Tracks of flight 1", "Readings of flight 1", "Readings of flight 4"} <= set(reached)


PLACES = """[...document.querySelectorAll('svg.space [data-at]')].map(
    e => (e.getAttribute('points') || [e.getAttribute('cx'), e.getAttribute('cy'), e.getAttribute('x'), e.getAttribute('y')]
          .filter(value => value !== null).join(' ')).split(/[ ,]/).map(Number))"""


def test_the_figure_in_space_turns_by_button_and_by_drag_and_comes_back(page, address):
    page.goto(address)
    first = page.evaluate(PLACES)
    page.get_by_role("button", name="turn right").click()
    page.get_by_role("button", name="look down").press("Enter")
    turned = page.evaluate(PLACES)
    assert sum(one != other for one, other in zip(first, turned, strict=True)) > len(first) / 2
    page.get_by_role("button", name="turn left").click()
    page.get_by_role("button", name="look level").click()
    for one, other in zip(first, page.evaluate(PLACES), strict=True):
        assert other == pytest.approx(one, abs=0.21)  # pixels: the script draws what the report drew, both rounded to a tenth
    box = page.locator("svg.space").bounding_box()
    page.mouse.move(box["x"] + 200, box["y"] + 200)
    page.mouse.down()
    page.mouse.move(box["x"] + 120, box["y"] + 200, steps=4)
    page.mouse.up()
    assert page.evaluate("document.querySelector('svg.space').dataset.heading") == "70"  # half a degree for each pixel


def test_without_a_script_the_page_shows_everything_but_the_buttons(chromium, address):
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(address)
    assert page.locator("svg.space").is_visible()
    assert not page.locator(".turning").is_visible()
    context.close()


def test_on_paper_no_figure_is_wider_than_the_sheet_and_none_is_torn(page, address):
    page.goto(address)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 703, "height": 1000})  # A4 less margins of 12 mm at 96 pixels to the inch
    assert page.evaluate("document.documentElement.scrollWidth") <= 703
    torn = page.evaluate("[...document.querySelectorAll('figure')].filter(f => getComputedStyle(f).breakInside !== 'avoid').length")
    assert torn == 0
    assert page.pdf(format="A4", prefer_css_page_size=True)[:5] == b"%PDF-"


def test_a_verdict_is_told_in_words_and_by_a_sign(page, address):
    page.goto(address)
    told = page.locator(".summary .verdict").all_inner_texts()
    signs = {text[1:].strip(): text[0] for text in told}
    assert len(set(signs.values())) == len(signs) == 4
