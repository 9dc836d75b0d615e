"""Azimuths by the encoder on a stand: archives packed by hand, the angles from rotations in space."""

import struct

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from apexfix.errors import CalibrationError
from apexfix.on_axis import BY_ENCODER
from apexfix.sighted import directed
from apexfix.stands import last_turn
from apexfix.units import DEG

MARK, REFERENCE = 1, 2
LONG_S = 1800.0  # after so long a gyroscope with one backsight has lost its heading by some fifteen degrees
TIGHT = {"coefficients_deg": [0.0] * 8, "covariance_deg2": np.diag([1e-4] * 8).tolist()}


def calibrated(encoder):
    return {"id": "c1", "encoder": encoder}


class Field:
    """The log of the unit at station A, which stands 100 m east of the pad: its reference lies at 270 degrees."""

    def __init__(self, hand_day, kit, encoder=TIGHT):
        self.day, self.kit = hand_day, kit
        self.records = [hand_day.boot("u01", calibration=None if encoder is None else calibrated(encoder))]
        self.steps = []

    def press(self, at_s, kind, sight, axis_deg=None, run=1):
        """A press with heading and elevation in degrees, and the encoder's angle."""
        heading, elevation = sight
        quaternion = Rotation.from_euler("ZY", [90 - heading, -elevation], degrees=True).as_quat(scalar_first=True)
        t_us, rested_us = round(at_s * 1e6), round((at_s - 1.0) * 1e6)
        fields = (kind, 1, 1, t_us, 1, *quaternion, 0.0, 0.0, 0.0, rested_us, 2150, run)
        self._add(2, lambda _: struct.pack("<BBHqIfffffffqhH", *fields))
        sequence = len(self.records)
        if axis_deg is not None:
            self._add(7, lambda _: struct.pack("<IH", sequence, round(axis_deg / 360 * 4096) % 4096))
        return sequence

    def turn(self, lean_deg, set=1, directions=8, axis=True):
        """Turn the stand, which leans so far towards angles 0 and 90 of its encoder, with a clamped tube through the horizon."""
        for direction in np.arange(directions) * 360 / directions:
            angle = round(direction / 360 * 4096) / 4096 * 360
            sequence = self.press(10.0 * len(self.records), MARK, (0.0, 2.0), angle if axis else None)
            self.steps.append(f"u01log,{sequence},stand,,1,{set}")
            lean = Rotation.from_rotvec([-lean_deg[1], lean_deg[0], 0.0], degrees=True)
            body = lean * Rotation.from_euler("ZY", [angle, -2.0], degrees=True)  # x towards angle 0, y towards angle 90, z up
            up = np.rint(body.inv().apply([0.0, 0.0, 1.0]) * 16384).astype(int)
            samples = b"".join(struct.pack("<i6h", t * 20_000 - 2_000_000, *up, 0, 0, 0) for t in range(120))
            self._add(3, lambda _, own=sequence, samples=samples: struct.pack("<IHHBBh", own, 0, 120, 120, 0, 2150) + samples)

    def _add(self, kind, payload):
        self.records.append(lambda sequence: self.kit.record(kind, sequence, payload(sequence)))

    def found(self):
        self.day.unit("u01", self.records)
        if self.steps:
            text = "\n".join(["log,record,step,target,face,set", *self.steps, ""])
            (self.day.folder / "steps.csv").write_text(text)
        return self.day.recorded()

    def mark(self):
        found = self.found()
        (mark,) = found.marks
        return directed(1, mark, found, clocked=True)


@pytest.fixture
def field(hand_day, kit):
    return Field(hand_day, kit)


def azimuth_deg(seen):
    return float(np.degrees(seen.sighting.azimuth_rad))


def test_after_long_the_azimuth_is_the_encoders_turn_from_the_backsight(field):
    field.press(100.0, REFERENCE, (33.0, 0.0), axis_deg=90.0)
    field.press(100.0 + LONG_S, MARK, (70.0, 30.0), axis_deg=135.0)  # the gyroscope says 37 degrees, the stand turned by 45
    seen = field.mark()
    assert azimuth_deg(seen) == pytest.approx(270.0 + 45.0, abs=0.05)
    assert seen.sighting.note == BY_ENCODER
    assert seen.remarks == ()
    assert 0.2 * DEG < seen.sighting.sigma_azimuth_rad < 1.0 * DEG


@pytest.mark.parametrize(("seconds", "encoder"), [(5.0, None), (LONG_S, "unseen")])
def test_the_gyroscope_counts_where_it_is_the_better_one_or_the_only_one(hand_day, kit, seconds, encoder):
    field = Field(hand_day, kit, None)
    axis = (None, None) if encoder == "unseen" else (90.0, 121.0)
    field.press(100.0, REFERENCE, (33.0, 0.0), axis[0])
    field.press(100.0 + seconds, MARK, (63.0, 0.0), axis[1])
    seen = field.mark()
    assert azimuth_deg(seen) == pytest.approx(300.0, abs=0.01)
    assert seen.sighting.note == ""


def test_a_turn_over_the_encoders_zero_is_a_turn(field):
    field.press(100.0, REFERENCE, (33.0, 0.0), axis_deg=350.0)
    field.press(100.0 + LONG_S, MARK, (48.0, 10.0), axis_deg=5.0)
    assert azimuth_deg(field.mark()) == pytest.approx(285.0, abs=0.1)


def test_an_encoder_keeps_the_azimuth_where_the_gyroscope_lost_its_heading(field):
    field.press(100.0, REFERENCE, (33.0, 0.0), axis_deg=90.0, run=1)
    field.press(200.0, MARK, (250.0, 30.0), axis_deg=135.0, run=2)
    field.press(300.0, REFERENCE, (88.0, 0.0), axis_deg=90.0, run=3)
    seen = field.mark()
    assert azimuth_deg(seen) == pytest.approx(315.0, abs=0.05)
    assert seen.remarks == ()


def test_a_stand_that_was_lifted_and_turned_is_noticed_and_the_gyroscope_counts(field):
    field.press(100.0, REFERENCE, (33.0, 0.0), axis_deg=90.0)
    field.press(110.0, MARK, (63.0, 30.0), axis_deg=90.0)  # the heading turned by 30 degrees, the encoder not at all
    seen = field.mark()
    assert azimuth_deg(seen) == pytest.approx(300.0, abs=0.01)
    (said,) = seen.remarks
    assert "the azimuth by the encoder is 30.0° from that by the gyroscope" in said
    assert "was the stand lifted and turned, or did its clamp slip? The encoder is not used" in said


def test_backsights_between_which_the_stand_moved_are_named_and_the_encoder_is_not_used(field):
    field.press(100.0, REFERENCE, (33.0, 0.0), axis_deg=90.0)
    field.press(110.0, MARK, (63.0, 30.0), axis_deg=120.0)
    field.press(120.0, REFERENCE, (33.0, 0.0), axis_deg=94.0)
    seen = field.mark()
    assert (azimuth_deg(seen), seen.sighting.note) == (pytest.approx(300.0, abs=0.01), "")
    assert "by the encoder the backsights before and after the mark are 4.0° apart" in seen.remarks[0]


def test_two_backsights_by_the_encoder_are_better_than_one(hand_day, kit, tmp_path_factory):
    one, two = Field(hand_day, kit), Field(type(hand_day)(tmp_path_factory.mktemp("two")), kit)
    for field in (one, two):
        field.press(100.0, REFERENCE, (33.0, 0.0), axis_deg=90.0)
        field.press(100.0 + LONG_S, MARK, (63.0, 0.0), axis_deg=120.0)
    two.press(100.0 + 2 * LONG_S, REFERENCE, (33.0, 0.0), axis_deg=90.0)
    assert two.mark().sighting.sigma_azimuth_rad < one.mark().sighting.sigma_azimuth_rad


def test_the_eccentricity_in_the_calibration_is_taken_out(hand_day, kit):
    wave = {**TIGHT, "coefficients_deg": [2.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]}  # true = reading + 2 sin(reading)
    field = Field(hand_day, kit, wave)
    field.press(100.0, REFERENCE, (33.0, 0.0), axis_deg=0.0)
    field.press(100.0 + LONG_S, MARK, (123.0, 10.0), axis_deg=90.0)
    assert azimuth_deg(field.mark()) == pytest.approx(270.0 + 90.0 + 2.0 - 360.0, abs=0.05)


# --- the stand that leans -------------------------------------------------------------------------------------------


def leaning_sight(lean_deg, azimuth_deg, elevation_deg):
    """The encoder's angle of a tube that looks along an azimuth, from the encoder's zero, at an elevation, on a leaning axis."""
    flat = np.radians([azimuth_deg, elevation_deg])
    wanted = np.array([np.cos(flat[1]) * np.cos(flat[0]), np.cos(flat[1]) * np.sin(flat[0]), np.sin(flat[1])])
    x, y, _ = Rotation.from_rotvec([-lean_deg[1], lean_deg[0], 0.0], degrees=True).inv().apply(wanted)
    return float(np.degrees(np.arctan2(y, x)))


@pytest.mark.parametrize("elevation_deg", [0.0, 60.0, 75.0])
def test_a_turn_through_the_horizon_takes_the_lean_out_of_the_azimuth(field, elevation_deg):
    lean = (0.3, -0.4)
    field.turn(lean)
    field.press(1000.0, REFERENCE, (33.0, 0.0), leaning_sight(lean, 20.0, 0.0))
    field.press(1000.0 + LONG_S, MARK, (63.0, elevation_deg), leaning_sight(lean, 57.0, elevation_deg))
    assert azimuth_deg(field.mark()) == pytest.approx(270.0 + 37.0, abs=0.1)


def test_the_presses_of_a_step_are_no_flights(field):
    field.turn((0.3, -0.4))
    field.press(1000.0, MARK, (63.0, 10.0))
    assert len(field.found().marks) == 1


def test_the_last_turn_before_a_mark_counts(field):
    field.turn((0.0, 0.0), set=1)
    field.press(1000.0, REFERENCE, (33.0, 0.0), 20.0)
    first = field.press(1000.0 + LONG_S, MARK, (63.0, 60.0), 57.0)
    field.turn((0.0, 2.0), set=2)
    second = field.press(2000.0 + LONG_S, MARK, (63.0, 60.0), 57.0)
    found = field.found()
    seen = {mark.sequence: azimuth_deg(directed(1, mark, found, clocked=True)) for mark in found.marks}
    assert seen[first] == pytest.approx(307.0, abs=0.1)
    assert abs(seen[second] - 307.0) > 1.0


def test_a_turn_that_finds_no_lean_is_told_and_the_nominal_sigma_counts(hand_day, kit, tmp_path_factory):
    bare, poor = Field(hand_day, kit), Field(type(hand_day)(tmp_path_factory.mktemp("poor")), kit)
    poor.turn((0.3, -0.4), directions=3)
    for field in (bare, poor):
        field.press(1000.0, REFERENCE, (33.0, 0.0), axis_deg=20.0)
        field.press(1000.0 + LONG_S, MARK, (63.0, 60.0), axis_deg=57.0)
    assert "turn 1 of the stand of the unit with serial serial-u01 is not used: 3 directions seen" in " ".join(poor.found().remarks)
    found = poor.day.recorded()
    (mark,) = found.marks
    seen = directed(1, mark, found, clocked=True)
    assert seen.sighting.sigma_azimuth_rad == pytest.approx(bare.mark().sighting.sigma_azimuth_rad, rel=1e-6)


def test_a_unit_whose_stand_was_never_turned_is_asked_for_it():
    with pytest.raises(CalibrationError, match="no turn of the stand through the horizon seen; clamp the tube, give"):
        last_turn({}, "serial-u01")


def test_a_turn_without_an_encoder_says_that_none_is_needed(field):
    field.turn((0.3, -0.4), axis=False)
    assert "saw no encoder with a magnet on its stand's axis; without one the lean does no harm" in " ".join(field.found().remarks)
