"""Where the observers stood, typed in, becomes the same site that a person would have written."""

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from apexfix.cli import main
from apexfix.day import read_site
from apexfix.fields import Unfit
from apexfix.site_entry import Place, bearing_deg, distance_m, eye_m, new_name, sigma_deg, site_toml

TYPED = ["oak", "82,4", "115", "", "gate", "82.0", "x", "-3", "312 30", "0,4", "", "", "1", "45", "", "45", "", "q"]


def enter(day, *words):
    return CliRunner().invoke(main, ["enter", str(day)], input="".join(f"{word}\n" for word in words))


def test_typed_places_become_a_site_and_the_readings_follow_at_once(tmp_path):
    done = enter(tmp_path / "day", *TYPED)
    assert done.exit_code == 0, done.output
    oak, gate = read_site(tmp_path / "day" / "site.toml").stations
    # 82.4 m on a bearing of 115 degrees: east by its sine, north by its cosine
    assert oak.position_m == pytest.approx((82.4 * np.sin(np.radians(115)), 82.4 * np.cos(np.radians(115)), 1.5))
    assert gate.position_m[2] == pytest.approx(0.4)
    assert oak.sigma_elevation_rad == gate.sigma_azimuth_rad == pytest.approx(np.radians(1.0))
    assert "flight 1: " in done.output
    assert (tmp_path / "day" / "sightings.csv").exists()


def test_an_answer_that_does_not_fit_is_asked_for_again(tmp_path):
    said = enter(tmp_path / "day", *TYPED).output
    assert "an angle like 45.5" in said
    assert "-3° seen, 0 to 360 degrees expected" in said


@pytest.mark.parametrize("typed", [[], ["oak"], ["oak", "80", "90", "", ""], ["oak", "80", "90", "", "gate", "80", "180", ""]])
def test_a_site_that_is_not_finished_is_not_written(tmp_path, typed):
    done = enter(tmp_path / "day", *typed)
    assert done.exit_code == 4
    assert not (tmp_path / "day").exists()


def test_a_site_that_is_there_is_never_asked_for(tmp_path):
    (tmp_path / "site.toml").write_text(site_toml("mine", [Place("A", 100, 0, 1.5), Place("B", 100, 90, 1.5)], 1.0))
    said = enter(tmp_path, "q").output
    assert "measured from the pad" not in said


@pytest.mark.parametrize(
    ("parsed", "words"),
    [
        (distance_m, "0"), (distance_m, "far"), (distance_m, "30000"), (eye_m, "up"),
        (bearing_deg, "361"), (sigma_deg, "0"), (sigma_deg, "90"),
    ],
)
def test_what_cannot_be_is_refused(parsed, words):
    with pytest.raises(Unfit, match="expected"):
        parsed(words)


def test_a_name_serves_once():
    with pytest.raises(Unfit, match="oak is entered already"):
        new_name(" oak ", {"oak"})


@given(name=st.text(min_size=1, max_size=32).filter(lambda name: name.strip() == name), site=st.text(max_size=30))
def test_any_name_that_is_accepted_can_be_read_back(tmp_path_factory, name, site):
    try:
        accepted = new_name(name, ())
    except Unfit:
        return
    path = tmp_path_factory.mktemp("day") / "site.toml"
    path.write_text(site_toml(site, [Place(accepted, 100.0, 90.0, 1.5), Place("2nd", 80.0, 0.0, 1.5)], 1.0), encoding="utf-8")
    assert read_site(path).stations[0].id == accepted
