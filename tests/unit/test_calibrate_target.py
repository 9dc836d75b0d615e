"""Targets from tape figures, and the two tables of a calibration folder."""

import contextlib
import re

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from apexfix.calibrate.field_test import two_faces
from apexfix.calibrate.steps import Step, append_step, append_target, read_steps, read_targets
from apexfix.calibrate.target import Tape, taped_target
from apexfix.cli.calibrate import calibrate
from apexfix.errors import ApexfixError, CalibrationError, FileError
from apexfix.units import DEG

HEAD = "target,height_m,eye_m,distance_m,sigma_height_m,sigma_eye_m,sigma_distance_m,elevation_deg,sigma_elevation_deg\n"


@given(st.floats(0, 30), st.floats(0.1, 2), st.floats(3, 40))
def test_the_stated_sigma_is_that_of_tapes_drawn_at_random(height_m, eye_m, distance_m):
    # JCGM 101: propagation by drawing; the tape's errors are far smaller than its figures, so the first order must agree
    sigmas = (0.01, 0.005, 0.02)
    rng = np.random.default_rng(1)
    drawn = [value + rng.normal(0, sigma, 4000) for value, sigma in zip((height_m, eye_m, distance_m), sigmas, strict=True)]
    target = taped_target("t", Tape(height_m, eye_m, distance_m, *sigmas))
    assert np.std(np.arctan2(drawn[0] - drawn[1], drawn[2])) == pytest.approx(target.sigma_rad, rel=0.06)


def test_a_target_closer_than_three_metres_is_refused_and_the_reason_given():
    with pytest.raises(CalibrationError, match=r"gable is 2\.80 m away, 3 m or more are needed; choose one farther away: so near"):
        taped_target("gable", Tape(6.5, 1.5, 2.8, 0.01, 0.005, 0.02))


def test_a_negative_sigma_is_refused():
    with pytest.raises(CalibrationError, match="gable has a negative sigma"):
        taped_target("gable", Tape(6.5, 1.5, 12, 0.01, -0.005, 0.02))


def test_a_table_of_targets_is_read_with_its_three_ways_of_knowing(tmp_path):
    (tmp_path / "targets.csv").write_text(
        HEAD + "# measured on Monday\nlevel,,,,,,,0,0.02\ngable,6.5,1.5,12,0.01,0.005,0.02,,\nmark,,,,,,,,\n"
    )
    level, gable, mark = read_targets(tmp_path)
    assert (level.elevation_rad, level.sigma_rad) == (0.0, 0.02 * DEG)
    assert np.degrees(gable.elevation_rad) == pytest.approx(22.6199, abs=1e-4)  # the triangle 5, 12, 13
    assert mark.elevation_rad is None


def test_the_worked_example_of_the_guide_is_right(root, tmp_path):
    page = (root / "docs" / "unit.md").read_text()
    (tmp_path / "targets.csv").write_text(re.search(r"```csv\n(.*?)```", page, re.DOTALL)[1])
    level, gable, door = read_targets(tmp_path)
    assert (level.level, gable.level, door.level) == (True, False, True)
    example = page[page.index("**Worked example**") : page.index("## What it tells")]
    for value in (
        f"= {np.degrees(gable.elevation_rad):.3f}°",
        f"{np.degrees(np.arctan2(6.5, 12)):.3f}°",  # the eye height forgotten
        f"{np.hypot(0.01, 0.005):.4f} m",
        f"{np.degrees(np.hypot(0.01, 0.005) * 12 / 13**2):.4f}°",
        f"{np.degrees(0.02 * 5 / 13**2):.4f}°",
        f"Together {np.degrees(gable.sigma_rad):.4f}°",
    ):
        assert value in example
    upright, rolled = (float(text) for text in re.search(r"reads ([\d.]+)° upright and ([\d.]+)°", example).groups())
    mean, half = two_faces(upright * DEG, rolled * DEG)
    assert f"Half the difference, {np.degrees(half):.2f}°" in example
    assert f"The mean, {np.degrees(mean):.2f}°, is {np.degrees(mean - gable.elevation_rad):.2f}° above the tape" in example


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "a header line target,height_m"),
        ("target,elevation\nlevel,0\n", "line 1, elevation: this column is not known; did you mean"),
        ("elevation_deg\n0\n", "line 1, target: this column is missing"),
        (HEAD + "level,,,,,,,zero,0.02\n", "line 2, elevation_deg: 'zero' seen, a number expected"),
        (HEAD + "level,,,,,,,nan,0.02\n", "line 2, elevation_deg: 'nan' seen, a number expected"),
        (HEAD + "level,,,,,,,0,0\n", "line 2: elevation_deg, sigma_elevation_deg seen, all of height_m"),
        (HEAD + "gable,6.5,1.5,12,,,,,\n", "line 2: height_m, eye_m, distance_m seen, all of height_m, eye_m"),
        (HEAD + ",6.5,1.5,12,,,,,\n", "line 2, target: a target needs a name"),
        (HEAD + "level,,,,,,,0,0.02,7\n", "line 2: 10 values seen, 9 expected"),
        (HEAD + "gable,6.5,1.5,2,0.01,0.005,0.02,,\n", "line 2: target gable is 2.00 m away"),
    ],
)
def test_a_damaged_table_of_targets_is_refused_with_file_line_and_field(tmp_path, text, said):
    (tmp_path / "targets.csv").write_text(text)
    with pytest.raises(ApexfixError) as refused:
        read_targets(tmp_path)
    assert "targets.csv" in str(refused.value)
    assert said in str(refused.value)


@given(
    st.lists(
        st.lists(st.sampled_from(["", "level", "0", "1.5", "-3", "1e9", "nan", '"', "x\u0000", "target", "#"]), max_size=10),
        max_size=4,
    )
)
def test_any_table_of_targets_is_read_or_refused_as_a_person_can_act_on(tmp_path_factory, rows):
    folder = tmp_path_factory.getbasetemp()
    (folder / "targets.csv").write_text(HEAD + "\n".join(",".join(row) for row in rows) + "\n")
    with contextlib.suppress(ApexfixError):  # any other exception would be a bug and fails here
        read_targets(folder)


TAPED = {"height_m": 6.5, "eye_m": 1.5, "distance_m": 12.0, "sigma_height_m": 0.01, "sigma_eye_m": 0.005, "sigma_distance_m": 0.02}


def test_marks_that_are_written_down_are_read_as_they_were(tmp_path):
    written = [
        append_target(tmp_path / "u01", "gable, left", TAPED),
        append_target(tmp_path / "u01", "level", {"elevation_deg": 0.0, "sigma_elevation_deg": 0.02}),
        append_target(tmp_path / "u01", "door", {}),
    ]
    assert list(read_targets(tmp_path / "u01")) == written


def test_a_mark_goes_into_the_columns_that_the_table_has(tmp_path):
    (tmp_path / "targets.csv").write_text("sigma_elevation_deg,target,elevation_deg\n0.02,level,0\n")
    append_target(tmp_path, "lamp", {"elevation_deg": 3.0, "sigma_elevation_deg": 0.1})
    assert read_targets(tmp_path)[1].elevation_rad == 3.0 * DEG
    with pytest.raises(FileError, match="line 1, height_m: this column is missing"):
        append_target(tmp_path, "gable", TAPED)


@pytest.mark.parametrize(
    ("name", "figures", "said"),
    [
        ("door", TAPED, "door is in .*targets.csv already; take another name, or correct its line there"),
        ("near", TAPED | {"distance_m": 2.0}, "target near is 2.00 m away"),
        ("", {}, "cannot be a mark's name"),
        ("#3", {}, "cannot be a mark's name"),
        ("a\nb", {}, "cannot be a mark's name"),
        ("lamp", {"elevation_deg": 3.0}, "elevation_deg seen, all of height_m"),
    ],
)
def test_a_mark_that_is_of_no_use_is_refused_and_nothing_is_written(tmp_path, name, figures, said):
    append_target(tmp_path, "door", {})
    before = (tmp_path / "targets.csv").read_bytes()
    with pytest.raises(CalibrationError, match=said):
        append_target(tmp_path, name, figures)
    assert (tmp_path / "targets.csv").read_bytes() == before


def test_nothing_is_added_behind_a_line_without_an_end(tmp_path):
    (tmp_path / "targets.csv").write_text("target\ndoor")
    with pytest.raises(FileError, match="line 2: the last line has no end"):
        append_target(tmp_path, "lamp", {})


def test_the_command_asks_for_the_tape_figures_that_are_not_given(tmp_path):
    asked = CliRunner().invoke(calibrate, ["measure", str(tmp_path), "gable", "--eye", "1.5"], input="6.5\n\n\n12\n0.02\n")
    assert (asked.exit_code, asked.stdout) == (0, "gable: elevation 22.620° ± 0.057° seen from the tube\n")
    given = ["--height", "6.5", "--eye", "1.5", "--distance", "12", *(w for s in ("0.01", "0.005", "0.02") for w in ("--sigma", s))]
    assert (
        CliRunner()
        .invoke(calibrate, ["measure", str(tmp_path), "same", *given])
        .stdout.startswith("same: elevation 22.620° ± 0.057°")
    )
    assert (
        CliRunner()
        .invoke(calibrate, ["measure", str(tmp_path), "level", "--level"], input="\n")
        .stdout.startswith("level: elevation 0.000° ± 0.020°")
    )
    assert CliRunner().invoke(calibrate, ["measure", str(tmp_path), "door", "--unknown"]).exit_code == 0
    assert CliRunner().invoke(calibrate, ["measure", str(tmp_path), "x", "--level", "--unknown"]).exit_code == 2
    assert [target.id for target in read_targets(tmp_path)] == ["gable", "same", "level", "door"]


def test_steps_that_are_written_are_read_and_the_last_word_about_a_press_counts(tmp_path):
    first, second = Step("9f3a", 57, "sighting", "gable", 2, 1), Step("9f3a", 57, "ignore")
    append_step(tmp_path, first)
    assert read_steps(tmp_path) == {("9f3a", 57): first}
    append_step(tmp_path, second)
    assert read_steps(tmp_path) == {("9f3a", 57): second}


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("9f3a,57,posing,,,", "line 2, step: 'posing' seen, one of pose, sighting"),
        ("9f3a,57,test,,1,1", "line 2, target: a test needs the name of its target"),
        ("9f3a,57,test,gable,3,1", "line 2, face: 3 seen, 1 (upright) or 2 (rolled half round) expected"),
        ("9f3a,x,pose,,,", "line 2, record: 'x' seen, a whole number expected"),
    ],
)
def test_a_damaged_table_of_steps_is_refused_with_line_and_field(tmp_path, row, said):
    (tmp_path / "steps.csv").write_text(f"log,record,step,target,face,set\n{row}\n")
    with pytest.raises(FileError) as refused:
        read_steps(tmp_path)
    assert said in str(refused.value)


def test_a_folder_without_tables_has_no_steps_and_no_targets(tmp_path):
    assert (read_steps(tmp_path), read_targets(tmp_path)) == ({}, ())
