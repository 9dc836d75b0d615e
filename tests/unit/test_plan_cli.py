"""The command: what goes to which stream, what it writes, how it ends, and that it needs no network."""

import json
import socket
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from click.testing import CliRunner

from apexfix.cli.plan import plan
from apexfix.site_file import read_site
from apexfix.units import DEG

INTERVAL = ("--apogee", "40", "60", "--stations", "1")
FIELD = 'format = 1\nname = "A <b> & \\"quoted\\" meadow"\n[rectangle]\nwest_m = 80\neast_m = 90\nsouth_m = 70\nnorth_m = 100\n'


@pytest.fixture
def run(monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("the plan opened a socket")

    monkeypatch.setattr(socket, "socket", refuse)
    return lambda *options: CliRunner().invoke(plan, [str(option) for option in options])


@pytest.fixture
def field(tmp_path):
    path = tmp_path / "field.toml"
    path.write_text(FIELD, encoding="utf-8")
    return path


def test_the_document_is_the_only_thing_on_the_output_and_the_folder_can_become_the_day(run, field, tmp_path):
    out = tmp_path / "day"
    done = run(
        "--apogee", 40, 60, "--stations", 2, "--motor-class", "B", "--wind", 3, "--wind-from", 250, "--descent", 4, "--tilt", 5,
        "--field", field, "--when", "2026-05-01T10:20Z", "--latitude", 47.1, "--longitude", 9.2, "--height", 431,
        "--declination", 3.2, "--sigma-elevation", 0.5, "--sigma-azimuth", 0.8, "--out", out, "--json",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document == json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert done.stderr.count("written: ") == 4
    assert document["format"] == 1
    assert document["readings"] == {"elevation_only": False, "sigma_elevation_deg": 0.5, "sigma_azimuth_deg": 0.8}
    assert document["expected"]["apex_interval95_m"] == [40.0, 60.0]

    site = read_site(out / "site.toml")
    assert site.name == 'A <b> & "quoted" meadow'
    assert site.latitude_rad == pytest.approx(47.1 * DEG)
    told = document["layout"]["stations"]
    assert [station.id for station in site.stations] == [station["id"] for station in told] == ["A", "B"]
    for station, each in zip(site.stations, told, strict=True):
        assert station.position_m == pytest.approx([each["east_m"], each["north_m"], each["up_m"]], abs=1e-6)
        assert station.sigma_elevation_rad == pytest.approx(0.5 * DEG)
        assert station.sigma_azimuth_rad == pytest.approx(0.8 * DEG)
        assert each["distance_m"] == pytest.approx(np.hypot(each["east_m"], each["north_m"]))
    side = document["layout"]["between"][0]["distance_m"]
    assert side == pytest.approx(np.linalg.norm(site.stations[0].position_m - site.stations[1].position_m))

    drawing = ElementTree.parse(out / "field.svg").getroot()
    assert drawing.tag == "{http://www.w3.org/2000/svg}svg"
    assert drawing.get("aria-label") == 'Where to stand: A <b> & "quoted" meadow'
    styles = {shape.get("class") for shape in drawing}
    assert {"field", "standoff", "return", "landing", "error", "station", "pad", "sun", "arrow"} <= styles


def test_the_text_says_what_a_person_asks(run):
    done = run(*INTERVAL, "--pressure", 4.5)
    assert done.exit_code == 0, done.output
    for words in (
        "Where to stand", "from pad", "bearing", "Sigma of the height", "what else", "two opposite", "crowd line",
        "ballistic return", "12 m from the pad without eye protection", "The Sun was not looked at",
    ):  # fmt: skip
        assert words in done.stdout
    assert done.stdout.rstrip().endswith("Local codes, the landowner and licensed practice decide.")


def test_a_rocket_file_gives_the_interval_the_drift_and_the_advice(run, root):
    done = run("--rocket", root / "docs" / "example-rockets" / "water.toml", "--wind-from", 270, "--stations", 1, "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    low, high = document["expected"]["apex_interval95_m"]
    assert 20 < low < document["expected"]["apex_median_m"] < high < 80
    assert document["safety"]["kind"] == "water rocket at 4.0 bar"
    assert document["expected"]["descent_drift_m"] > 0
    # the circle of a return without recovery holds at least the throw without air at the lean of 3 degrees and two sigmas of 2
    assert document["safety"]["ballistic_m"] >= 4 * high * np.tan(7 * DEG) * 0.999
    assert all(check["source"] for check in document["safety"]["checks"])


def test_every_check_and_figure_names_its_source(run):
    document = json.loads(run(*INTERVAL, "--motor-class", "D", "--wind", 10, "--tilt", 35, "--json").stdout)
    safety = document["safety"]
    assert all(each["source"] for each in (*safety["checks"], *safety["figures"]))
    broken = [check["words"] for check in safety["checks"] if check["subject"] == "limit"]
    assert any("36 km/h" in words for words in broken)
    assert any("35 degrees" in words for words in broken)
    assert safety["advice"] == "Local codes, the landowner and licensed practice decide."


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "exactly one of --apogee LO HI and --rocket"),
        (("--apogee", 60, 40), "0 < LO <= HI"),
        ((*INTERVAL, "--motor-class", "B", "--pressure", 3), "only one of them"),
        (("--rocket", "r.toml", "--wind", 3), "--wind seen beside --rocket"),
        ((*INTERVAL, "--when", "2026-05-01T10:20Z"), "expected together"),
        ((*INTERVAL, "--when", "noon", "--latitude", 1, "--longitude", 1), "a UTC time like"),
        ((*INTERVAL, "--stations", 9), "9 is not in the range"),
    ],
)
def test_a_wrong_option_ends_with_two(run, options, words):
    done = run(*options)
    assert (done.exit_code, done.stdout) == (2, "")
    assert words in done.stderr


def test_a_missing_file_ends_with_four_and_a_rocket_that_must_not_fly_with_five(run, root, tmp_path):
    assert run("--rocket", tmp_path / "nowhere.toml").exit_code == 4
    assert run(*INTERVAL, "--field", tmp_path / "nowhere.toml").exit_code == 4
    text = (root / "docs" / "example-rockets" / "water.toml").read_text(encoding="utf-8")
    path = tmp_path / "rocket.toml"
    path.write_text(text.replace("pressure_kpa = 400.0", "pressure_kpa = 900.0"), encoding="utf-8")
    assert run("--rocket", path).exit_code == 5


def test_a_field_without_room_ends_with_five(run, tmp_path):
    path = tmp_path / "lawn.toml"
    path.write_text("format = 1\n[rectangle]\nwest_m = 5\neast_m = 5\nsouth_m = 5\nnorth_m = 5\n", encoding="utf-8")
    done = run(*INTERVAL, "--field", path)
    assert (done.exit_code, done.stdout) == (5, "")
    assert "beyond the standoff" in done.stderr


def test_measured_places_are_not_written_over(run, tmp_path):
    (tmp_path / "site.toml").write_text("format = 1\n", encoding="utf-8")
    done = run(*INTERVAL, "--out", tmp_path)
    assert (done.exit_code, done.stdout) == (4, "")
    assert "there is a site already" in done.stderr
    assert (tmp_path / "site.toml").read_text(encoding="utf-8") == "format = 1\n"


def test_every_option_is_named_in_the_guide(root):
    page = (root / "docs" / "guide.md").read_text(encoding="utf-8")
    assert [option.opts[0] for option in plan.params if f"`{option.opts[0]}" not in page and option.opts[0] != "--out"] == []
    assert "`--out`" in page


def test_every_key_of_the_document_is_named_in_its_page(run, root):
    document = json.loads(run(*INTERVAL, "--when", "2026-05-01T10:20Z", "--latitude", 47, "--longitude", 9, "--json").stdout)
    page = (root / "docs" / "plan.md").read_text(encoding="utf-8")
    inner = [key for part in document.values() if isinstance(part, dict) for key in part]
    each = [
        *document["layout"]["stations"][0],
        *document["alternatives"][0],
        *document["sun"]["looks"][0],
        *document["safety"]["checks"][0],
    ]
    assert [key for key in (*document, *inner, *each) if f"`{key}`" not in page] == []
