"""The folder of a calibration: what its presses were, what comes of them, and what a builder is told."""

import contextlib
import json
import struct

import numpy as np
import pytest

from apexfix.archive import open_archive
from apexfix.calibrate.coverage import RECOMMENDED
from apexfix.calibrate.document import concerns, write_document
from apexfix.calibrate.steps import Step
from apexfix.calibrate.target import Target
from apexfix.errors import ApexfixError, CalibrationError, FileError
from apexfix.units import DEG
from apexfix.workshop import answers, tour
from apexfix.workshop.answers import checked, elevations, gyro_noise, missing_poses, objection, still_poses, tube
from apexfix.workshop.bench import read_bench
from apexfix.workshop.combine import combined
from apexfix.workshop.words import of_check, of_elevations, of_field_test, of_tube

HZ = 100
LSB, GYRO_LSB = 16384, 65.5
OFFSET = np.array([0.03, -0.02, 0.01])  # g: what the accelerometer of this unit reads too much


def window(up, *, seconds=5.0, shake_dps=0.05, seed=0):
    """Samples around a press as a unit packs them (docs/protocol.md, section 4), at rest with a direction of the body upward."""
    rng = np.random.default_rng(seed)
    count = round(seconds * HZ)
    t_us = (np.arange(count) - 4 * count // 5) * (1_000_000 // HZ)
    accel = np.rint((np.asarray(up, dtype=float) + OFFSET + rng.normal(0, 0.003, (count, 3))) * LSB).astype(int)
    gyro = np.rint(rng.normal(0, shake_dps, (count, 3)) * GYRO_LSB).astype(int)
    return t_us, accel, gyro


class Workshop:
    """A calibration folder whose archive holds records that the test packed itself."""

    def __init__(self, folder, kit, day):
        self.folder, self._kit, self._day = folder, kit, day
        self.records = [day.boot("u01", imu="MPU-6050")]
        self.steps = []

    def press(self, up, kind="pose", target="", face=1, set=1, **motion):
        sequence = len(self.records) + 1
        self.records.append(self._day.press(10.0 * sequence))
        self.steps.append(f"u01log,{sequence},{kind},{target},{face},{set}")
        t_us, accel, gyro = window(up, seed=sequence, **motion)
        for first in range(0, len(t_us), 120):
            part = slice(first, min(first + 120, len(t_us)))
            samples = b"".join(
                struct.pack("<i6h", t, *a, *g) for t, a, g in zip(t_us[part].tolist(), accel[part], gyro[part], strict=True)
            )
            head = struct.pack("<IHHBBh", sequence, first, len(t_us), part.stop - first, 0, 2150)
            self.records.append(lambda own, head=head, samples=samples: self._kit.record(3, own, head + samples))
        return sequence

    def bench(self, steps=True):
        self._day.unit("u01", self.records)
        if steps:
            (self.folder / "steps.csv").write_text("log,record,step,target,face,set\n" + "\n".join(self.steps) + "\n")
        return read_bench(self.folder)


@pytest.fixture
def workshop(hand_day, kit):
    """An empty calibration folder to enter presses into."""
    return Workshop(hand_day.folder, kit, hand_day)


def aim(elevation_deg, face=1):
    """Upward direction in body axes with a faultless tube at an elevation: face 1 upright, 2 rolled half round."""
    e = elevation_deg * DEG
    return [np.sin(e), 0.0, np.cos(e) * (1 if face == 1 else -1)]


def poses(workshop):
    for pose in RECOMMENDED:
        workshop.press(pose)


TARGETS = "target,elevation_deg,sigma_elevation_deg\nlevel,0,0.02\ngable,22.6,0.05\ntower,42,0.05\nmark,,\n"


def test_poses_give_the_offset_and_say_what_they_leave(workshop):
    poses(workshop)
    found = elevations(workshop.bench())
    assert found.offset_g == pytest.approx(OFFSET, abs=3e-4)
    assert "18 still poses; what they leave is worth 0.0" in of_elevations(found, 18)


def test_without_a_list_of_steps_every_press_is_a_pose_with_one_only_those_on_it(workshop):
    poses(workshop)
    assert len(workshop.bench(steps=False).of("pose")) == 18
    workshop.steps = workshop.steps[:7]
    assert len(workshop.bench().of("pose")) == 7


def test_a_press_that_is_struck_out_is_not_used(workshop):
    poses(workshop)
    struck = workshop.press([0, 0, 1.2])  # a pose that would spoil the fit
    workshop.steps.append(f"u01log,{struck},ignore,,,")
    assert elevations(workshop.bench()).residual_rad / DEG < 0.03


def test_a_pose_that_moved_is_refused_by_its_number_and_the_missing_pose_is_named(workshop):
    for pose in RECOMMENDED[:-1]:
        workshop.press(pose)
    moved = workshop.press(RECOMMENDED[-1], shake_dps=5.0)
    bench = workshop.bench()
    assert objection(bench, Step("u01log", moved, "pose")).startswith("the unit moved at the press: ")
    assert objection(bench, Step("u01log", 2, "pose")) == ""
    assert objection(bench, Step("u01log", 999, "pose")) == "no samples came with the press"
    (refused,) = still_poses(bench).refused
    assert refused.startswith(f"press {moved} (pose) is not used: the unit moved")
    assert missing_poses(bench) == ("tube 45° down, right side up",)


def test_everything_together_becomes_a_document_with_remarks_on_what_it_lacks(workshop):
    poses(workshop)
    for face in (1, 2, 1, 2):
        workshop.press(aim(0.0, face), "sighting", "level")
    (workshop.folder / "targets.csv").write_text(TARGETS)
    bench = workshop.bench()
    document, remarks = combined(bench)
    assert document["serial"] == "serial-u01"
    assert document["tube_body"] == pytest.approx([1, 0, 0], abs=1e-3)
    assert document["temperature_celsius"] == [21.5, 21.5]
    assert [t["target"] for t in document["targets"]] == ["level"]
    assert len(document["recordings"]) == 22
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert any("0 turns about 0 axis seen" in remark for remark in remarks)
    assert any("no recording at rest seen" in remark for remark in remarks)
    assert any("0 sets of 0 targets seen" in remark for remark in remarks)
    assert concerns(document, bench.utc_us("pose"), 21.0) == ()


def field_test(workshop, errors_deg):
    (workshop.folder / "targets.csv").write_text(TARGETS)
    names = {"level": 0.0, "gable": 22.6, "tower": 42.0}
    errors = iter(errors_deg)
    for number in (1, 2, 3):
        for face in (1, 2):
            for name, elevation_deg in names.items():
                workshop.press(aim(elevation_deg + next(errors), face), "test", name, face, number)


def test_the_field_test_gives_the_figure_that_goes_into_the_calibration(workshop):
    poses(workshop)
    errors = np.random.default_rng(2).normal(0, 0.2, 18)
    field_test(workshop, errors)
    bench = workshop.bench()
    found = answers.tested(bench, elevations(bench))
    # the same residuals by hand: from the mean of each target in each face
    table = errors.reshape(3, 2, 3)
    by_hand = np.sqrt(np.sum((table - table.mean(axis=0)) ** 2) / 12)
    assert found.elevation.sigma_rad / DEG == pytest.approx(by_hand, rel=0.05)
    document, _ = combined(bench)
    assert document["sigma_elevation_deg"] == pytest.approx(found.elevation.sigma_rad / DEG, abs=1e-5)
    assert document["sigma_elevation_freedom"] == 12
    assert "12 degrees of freedom; between" in of_field_test(found)


@pytest.mark.parametrize(("off_deg", "passed"), [(0.0, True), (1.0, False)])
def test_the_independent_check_tells_a_good_calibration_from_a_bad_one(workshop, off_deg, passed):
    poses(workshop)
    for face in (1, 2, 1, 2):
        workshop.press(aim(0.0, face), "sighting", "level")
    for name, elevation_deg in (("gable", 22.6), ("tower", 42.0)):
        for _ in range(2):
            workshop.press(aim(elevation_deg + off_deg), "check", name)
    (workshop.folder / "targets.csv").write_text(TARGETS)
    bench = workshop.bench()
    document, _ = combined(bench)
    outcome, targets = checked(bench, document)
    assert outcome.passed is passed
    assert outcome.error_rad / DEG == pytest.approx([off_deg] * 2, abs=0.05)
    assert ("Passed: " if passed else "Not passed: ") in of_check(outcome, targets)


def test_a_calibration_that_states_no_zero_cannot_be_checked(workshop):
    poses(workshop)
    (workshop.folder / "targets.csv").write_text(TARGETS)
    bench = workshop.bench()
    document, _ = combined(bench)
    with pytest.raises(CalibrationError, match="states no sigma_elevation_zero_deg; combine it again"):
        checked(bench, {**document, "sigma_elevation_zero_deg": None})


# --- what is refused before a builder begins ----------------------------------------------------------------------------


def test_targets_without_a_level_one_are_refused_and_it_says_how_to_make_one():
    steep = [Target("gable", 22.6 * DEG, 0.001), Target("tower", 42 * DEG, 0.001)]
    with pytest.raises(
        CalibrationError, match="none of gable, tower is level, a level mark is needed: with a water level mark the height"
    ):
        tour.sighting_plan(steep)
    with pytest.raises(CalibrationError, match="no targets seen, a level mark is needed"):
        tour.sighting_plan([])


def test_a_level_target_is_sighted_on_all_four_sides_a_steep_one_on_two():
    plan = tour.sighting_plan([Target("level", 0.0, 0.001), Target("gable", 22.6 * DEG, 0.001)])
    assert [step.target for step, _ in plan] == ["level"] * 8 + ["gable"] * 4


def test_a_field_test_of_two_targets_and_a_check_of_one_are_refused_before_they_begin():
    level, mark = Target("level", 0.0, 0.001), Target("mark", None, 0.0)
    with pytest.raises(CalibrationError, match=r"2 targets seen, 3 or more are needed; add sharp marks to targets.csv"):
        tour.test_plan([level, mark])
    with pytest.raises(CalibrationError, match="1 targets of known height seen, 2 or more are needed; measure others"):
        tour.check_plan([level, mark])


def test_the_tube_without_a_sighting_is_refused(workshop):
    poses(workshop)
    (workshop.folder / "targets.csv").write_text(TARGETS)
    with pytest.raises(CalibrationError, match="no target was sighted yet; give the unit's port with --port"):
        tube(workshop.bench())


def test_the_tube_is_told_with_its_sigmas(workshop):
    poses(workshop)
    (workshop.folder / "targets.csv").write_text(TARGETS)
    for face in (1, 2, 1, 2):
        workshop.press(aim(0.5 if face == 1 else -0.5, face), "sighting", "level")  # the sensor sits half a degree askew
    assert "and -0.5" in of_tube(tube(workshop.bench()))


def test_a_still_recording_that_is_too_short_or_missing_is_refused(workshop):
    workshop.press([0, 0, 1], "still", seconds=8.0)
    with pytest.raises(CalibrationError, match="8 s at rest recorded, 15 s or more are needed"):
        gyro_noise(workshop.bench())
    workshop.steps = ["u01log,99,pose,,,"]
    with pytest.raises(CalibrationError, match="no recording at rest seen; leave the unit untouched for twenty seconds"):
        gyro_noise(workshop.bench())


def test_a_folder_that_was_never_pulled_into_says_what_to_do(tmp_path):
    with pytest.raises(FileError, match="record the poses first, or pull the unit into this folder"):
        read_bench(tmp_path)


def test_of_two_units_one_must_be_named(workshop, hand_day):
    hand_day.unit("u02", [hand_day.boot("u02")])
    poses(workshop)
    workshop._day.unit("u01", workshop.records)
    with pytest.raises(CalibrationError, match=r"holds the units .*u02.*; name one of them with --unit"):
        read_bench(workshop.folder)
    assert read_bench(workshop.folder, "u01").serial == read_bench(workshop.folder, "serial-u01").serial == "serial-u01"


@pytest.mark.parametrize("damage", [b"", b"\x00" * 100, b"SQLite format 3\x00" + b"\xff" * 500])
def test_a_damaged_archive_is_an_error_that_a_person_can_act_on(tmp_path, damage):
    (tmp_path / "archive.sqlite").write_bytes(damage)
    with contextlib.suppress(ApexfixError), open_archive(tmp_path / "archive.sqlite"):
        read_bench(tmp_path)


def test_a_document_with_a_figure_that_is_no_number_is_never_written(tmp_path):
    with pytest.raises(ValueError, match="Out of range float"):
        write_document(tmp_path / "c.json", {"format": 1, "sigma": float("nan")})
