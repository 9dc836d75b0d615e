"""The steps of a stand with an encoder: what is asked, what comes of the presses, and what is refused."""

import struct

import numpy as np
import pytest

from apexfix.calibrate.coverage import RECOMMENDED
from apexfix.calibrate.document import carried_part
from apexfix.calibrate.encoder import carried_eccentricity
from apexfix.calibrate.stand import StandAxis
from apexfix.errors import CalibrationError, FileError
from apexfix.units import DEG
from apexfix.workshop import tour
from apexfix.workshop.answers import eccentricity, encoder_marks, objection
from apexfix.workshop.bench import read_bench
from apexfix.workshop.combine import combined
from apexfix.workshop.words import of_encoder, of_stand, turned_sigma_rad

ROUND_DEG = np.arange(0, 360, 30)


class Circle:
    """A calibration folder whose unit stood on a stand with a graduated circle."""

    def __init__(self, day, kit):
        self.day, self.kit = day, kit
        self.records = [day.boot("u01", imu="MPU-6050")]
        self.steps = ["log,record,step,target,face,set"]

    def mark(self, mark_deg, shown_deg, kind="encoder", up=(0, 0, 1), shake=0):
        sequence = len(self.records) + 1
        self.records.append(self.day.press(10.0 * sequence))
        if shown_deg is not None:
            angle = struct.pack("<IH", sequence, round(shown_deg / 360 * 4096) % 4096)
            self.records.append(lambda own: self.kit.record(7, own, angle))
        rng = np.random.default_rng(sequence)
        rows = np.column_stack([np.arange(120) * 40_000 - 3_840_000, np.tile(np.multiply(up, 16384), (120, 1)), np.zeros((120, 3))])
        rows[:, 1:] += rng.normal(0, [30] * 3 + [3 + shake] * 3, (120, 6))
        samples = struct.pack("<IHHBBh", sequence, 0, 120, 120, 0, 2150) + b"".join(
            struct.pack("<i6h", *map(int, row)) for row in rows
        )
        self.records.append(lambda own: self.kit.record(3, own, samples))
        self.steps.append(f"u01log,{sequence},{kind},{mark_deg},1,1")
        return sequence

    def bench(self):
        self.day.unit("u01", self.records)
        (self.day.folder / "steps.csv").write_text("\n".join([*self.steps, ""]))
        return read_bench(self.day.folder)


@pytest.fixture
def circle(hand_day, kit):
    return Circle(hand_day, kit)


def shown(mark_deg):
    """What an encoder shows whose magnet runs beside the axis, from another zero."""
    return mark_deg + 77.0 + 1.5 * np.sin(np.radians(mark_deg)) - 0.6 * np.cos(np.radians(2 * mark_deg))


def test_twelve_marks_of_a_circle_find_what_the_encoder_shows_too_much(circle):
    for mark in ROUND_DEG:
        circle.mark(mark, shown(mark))
    found = eccentricity(circle.bench())
    turned = found.eccentricity.angle_rad(np.radians(shown(np.array([10.0, 100.0, 205.0]))))
    assert np.diff(turned) / DEG == pytest.approx([90.0, 105.0], abs=0.1)
    told = of_encoder(found)
    assert told.startswith("12 marks: as it reads, the encoder is wrong by up to 2.1")  # 1.5 + 0.6, where both waves are highest
    assert f"known to {turned_sigma_rad(found.eccentricity) / DEG:.2f}° (one sigma)" in told


def test_the_encoder_goes_into_the_calibration_with_its_raw_marks_and_onto_the_unit(circle):
    for pose in RECOMMENDED[:6]:
        circle.mark("", None, "pose", pose)
    for mark in ROUND_DEG:
        circle.mark(mark, shown(mark))
    bench = circle.bench()
    document, remarks = combined(bench)
    assert [mark["mark_deg"] for mark in document["encoder_marks"]] == ROUND_DEG.tolist()
    assert not any("encoder" in remark for remark in remarks)
    kept = carried_eccentricity(carried_part(document))
    assert kept.coefficients_rad == pytest.approx(eccentricity(bench).eccentricity.coefficients_rad, abs=1e-4 * DEG)


def test_a_calibration_without_an_encoder_says_nothing_of_one(circle):
    for pose in RECOMMENDED[:6]:
        circle.mark("", None, "pose", pose)
    document, remarks = combined(circle.bench())
    assert not any("encoder" in text for text in (*document, *remarks))


def test_too_few_marks_are_a_remark_in_the_calibration_and_an_error_of_the_step(circle):
    for pose in RECOMMENDED[:6]:
        circle.mark("", None, "pose", pose)
    for mark in ROUND_DEG[:5]:
        circle.mark(mark, shown(mark))
    bench = circle.bench()
    document, remarks = combined(bench)
    assert "encoder" not in document
    assert any("5 marks seen, 8 or more round the turn are needed" in remark for remark in remarks)
    with pytest.raises(CalibrationError, match="5 marks seen"):
        eccentricity(bench)


def test_a_press_without_a_magnet_or_with_a_moving_tube_is_refused_with_what_to_do(circle):
    blind, moved, good = circle.mark(0, None), circle.mark(30, 107.0, shake=2000), circle.mark(60, 137.0)
    bench = circle.bench()
    why = {item.press.sequence: objection(bench, item.step) for item in bench.of("encoder")}
    assert "saw no encoder with a magnet; wire the encoder, bring its magnet within 3 mm" in why[blind]
    assert "the unit moved" in why[moved]
    assert why[good] == ""
    assert len(encoder_marks(bench).refused) == 2


@pytest.mark.parametrize("target", ["", "north", "nan", "1e9"])
def test_a_mark_without_an_angle_is_refused_by_its_line(circle, target):
    circle.mark(target, 10.0)
    with pytest.raises(FileError, match=r"steps\.csv, line 2, target"):
        circle.bench()


def test_the_plans_ask_for_a_whole_turn():
    asked = tour.encoder_plan(tour.MARKS_DEG)
    assert [step.target for step, _ in asked] == [f"{mark}" for mark in ROUND_DEG]
    assert all(f"to the mark at {step.target}°" in text for step, text in asked)
    assert [step.target for step, _ in tour.encoder_plan((0.0, 31.5))] == ["0", "31.5"]
    turns = tour.stand_plan(3)
    assert [(step.kind, step.set) for step, _ in turns] == [("stand", 3)] * 8
    assert "clamp" in turns[0][1]
    assert all("by about 45°" in text for _, text in turns[1:])


def test_the_lean_is_told_with_what_it_does_high_up():
    lean = np.array([0.3, -0.4]) * DEG
    axis = StandAxis(lean, np.eye(2) * (0.02 * DEG) ** 2, 0.0, np.zeros(8), 1.0)
    told = of_stand(axis)
    assert "8 directions: the stand's axis leans by 0.50° ± 0.02° towards 307° of its encoder" in told
    assert "up to 0.87° of azimuth" in told  # 0.5 tan 60
    assert "did the clamp slip?" not in told
    assert "did the clamp slip?" in of_stand(StandAxis(lean, axis.covariance_rad2, 0.0, np.zeros(8), 2.0))
