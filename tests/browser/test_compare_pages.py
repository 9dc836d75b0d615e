"""The pages of a comparison and of a log in a real browser: nothing is wider than a phone, axe is content, no request leaves."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from apexfix.cli import main

EXAMPLE = Path(__file__).parents[2] / "docs" / "example-day"


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """The path of each page, made from the invented example."""
    day = tmp_path_factory.mktemp("2026-05-01")
    for name in ("site.toml", "sightings.csv", "altimeter.csv"):
        (day / name).write_text((EXAMPLE / name).read_text())
    assert CliRunner().invoke(main, ["compare", str(day), str(day / "altimeter.csv")]).exit_code == 0
    assert CliRunner().invoke(main, ["history", str(day), "--out", str(day / "log")]).exit_code == 0
    return {"comparison": day / "report" / "comparison.html", "history": day / "log" / "history.html"}


@pytest.mark.parametrize("name", ["comparison", "history"])
def test_axe_finds_nothing_serious(page, axe_violations, written, name):
    page.goto(written[name].as_uri())
    assert axe_violations(page) == []


@pytest.mark.parametrize("name", ["comparison", "history"])
@pytest.mark.parametrize("width", [360, 390, 1280])
def test_nothing_is_wider_than_the_window(page, written, name, width):
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(written[name].as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_answer_stands_at_the_top(page, written):
    page.goto(written["comparison"].as_uri())
    assert page.locator("p.answer").bounding_box()["y"] < 200
    assert page.locator("p.answer").inner_text().startswith("Yes")


def test_every_flight_is_drawn_with_its_name_and_a_title_for_those_who_see_nothing(page, written):
    page.goto(written["comparison"].as_uri())
    titles = [figure.get_attribute("aria-label") for figure in page.locator("svg[role=img]").all()]
    assert titles == ["Difference against mean height", "One height against the other"]
    assert page.locator("svg circle.apex").count() == 2 * 4
