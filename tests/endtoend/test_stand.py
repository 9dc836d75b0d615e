"""A unit on a stand with an encoder: calibrated by the commands, turned through the horizon, then an azimuth after five minutes."""

import json
import re

import numpy as np
import pytest

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.calibrate.document import read_document
from apexfix.calibrate.encoder import carried_eccentricity, fit_eccentricity, reading_rad
from apexfix.carried import recorded
from apexfix.day import read_site
from apexfix.geometry import wrapped
from apexfix.on_axis import BY_ENCODER
from apexfix.sighted import directed
from apexfix.sim import imu
from apexfix.sim.builder import Builder, Sight
from apexfix.sim.stand import Stand
from apexfix.units import DEG

LEANING = Stand(
    lean_rad=0.5 * DEG, towards_rad=200 * DEG, beside_square_rad=0.05 * DEG,
    chip_mm=(0.2, -0.22), magnet_mm=(-0.28, 0.1), zero_rad=1.3,
)  # fmt: skip
BACKSIGHT, MARK = Sight(0.0, 1.0 * DEG), Sight(90.0 * DEG, 60.0 * DEG)  # the pad lies north of the station
SITE = """format = 1
[site]
name = "Stand"
[[station]]
id = "A"
east_m = 0.0
north_m = -100.0
up_m = 0.0
unit = "desk1"
"""


def flown(apexfix, builder, day):
    """A backsight, five minutes of waiting, a mark a quarter turn away and high up; pulled, and what the day makes of the mark."""
    builder.sight(BACKSIGHT, "reference")
    builder.wait(300.0)
    builder.sight(MARK, "mark")
    assert apexfix("pull", day, "--port", builder.unit.port)[0] == 0
    return marked(day)


def marked(day):
    with open_archive(day / ARCHIVE_NAME) as archive:
        found = recorded(archive, read_site(day / "site.toml"), day)
    (mark,) = found.marks
    return directed(1, mark, found, clocked=True)


def day_at(folder):
    folder.mkdir()
    (folder / "site.toml").write_text(SITE)
    return folder


@pytest.fixture(scope="module")
def stood(tmp_path_factory, micropython, apexfix):
    """The bench and the day of one unit, what every step said, and the mark as the day has it."""
    folder = tmp_path_factory.mktemp("stand")
    bench, day = folder / "bench", day_at(folder / "day")
    true = imu.faults(np.random.default_rng(31), imu.MPU6050)
    with Builder(folder / "unit", imu.MPU6050, true, 32, {}, LEANING) as builder:
        builder.switch_on()
        port = ("--port", builder.unit.port)
        apexfix("calibrate", "poses", bench, *port, builder=builder, until="9 to go")  # the six faces and a little more
        steps = {"encoder": apexfix("calibrate", "encoder", bench, *port, builder=builder)}
        steps["combine"] = apexfix("calibrate", "combine", bench)
        (path,) = bench.glob("calibration-*.json")
        steps["load"] = apexfix("calibrate", "load", path, *port)
        builder.switch_on()
        steps["pull"] = apexfix("pull", bench, *port, "--tidy")  # the day's log begins without the marks of the bench
        steps["stand"] = apexfix("calibrate", "stand", day, *port, builder=builder)
        mark = flown(apexfix, builder, day)
    return path, day, steps, mark


def test_every_step_succeeds_and_says_what_it_found(stood):
    for step, (code, printed, said) in stood[2].items():
        assert code == 0, (step, printed, said)
    assert "12 marks: as it reads, the encoder is wrong by up to" in stood[2]["encoder"][1]
    said = stood[2]["stand"][1]
    lean_deg, sigma_deg = map(float, re.match(r"8 directions: the stand's axis leans by ([\d.]+)° ± ([\d.]+)°", said).groups())
    assert lean_deg == pytest.approx(LEANING.lean_rad / DEG, abs=2 * sigma_deg + 0.005)
    assert sigma_deg < 0.05


def test_the_azimuth_after_five_minutes_and_a_quarter_turn_is_the_encoders_and_good_to_three_tenths(stood):
    sighting = stood[3].sighting
    error = float(wrapped(sighting.azimuth_rad - MARK.azimuth_rad))
    assert sighting.note == BY_ENCODER
    assert abs(error) <= 0.3 * DEG
    assert abs(error) < 3 * sighting.sigma_azimuth_rad
    assert sighting.sigma_azimuth_rad < 1.0 * DEG
    track = stood[3].track
    at_mark = np.argmin(np.abs(track.utc_us - track.mark_utc_us))
    assert track.azimuth_rad[at_mark] == pytest.approx(sighting.azimuth_rad)


def test_without_the_turn_through_the_horizon_the_lean_is_in_the_azimuth(stood):
    _, day, _, mark = stood
    steps = day / "steps.csv"
    told = steps.read_text()
    steps.write_text(told.replace(",stand,", ",ignore,"))
    levelled = marked(day)
    steps.write_text(told)
    # 0.5 degrees towards 200, sighted along 90 at 60 degrees: 0.5 sin(200 - 90) tan 60 = 0.81 degrees
    assert float(wrapped(levelled.sighting.azimuth_rad - mark.sighting.azimuth_rad)) / DEG == pytest.approx(-0.81, abs=0.15)
    assert levelled.sighting.sigma_azimuth_rad > mark.sighting.sigma_azimuth_rad


def test_reduce_names_the_source_of_the_azimuth(stood, apexfix):
    _, printed, _ = apexfix("reduce", stood[1], "--json")
    (flight,) = json.loads(printed)["flights"]
    assert [reading["note"] for reading in flight["readings"]] == [BY_ENCODER]


def test_the_same_figures_come_again_out_of_the_raw_records_and_of_the_marks_in_the_file(stood, apexfix):
    document = read_document(stood[0])
    marks = document["encoder_marks"]
    again = fit_eccentricity(
        reading_rad(np.array([mark["angle"] for mark in marks])), np.radians([mark["mark_deg"] for mark in marks]), 0.2 * DEG
    ).eccentricity
    kept = carried_eccentricity(document)
    assert apexfix("calibrate", "encoder", stood[0].parent)[:2] == (0, stood[2]["encoder"][1])
    assert apexfix("calibrate", "stand", stood[1])[:2] == (0, stood[2]["stand"][1])
    assert len(marks) == 12
    assert kept.coefficients_rad == pytest.approx(again.coefficients_rad, abs=1e-4 * DEG)
    assert kept.covariance_rad2 == pytest.approx(again.covariance_rad2, rel=0.01, abs=1e-12)


def test_a_unit_whose_encoder_sees_no_magnet_carries_its_azimuth_by_gyroscope(tmp_path, micropython, apexfix):
    true = imu.faults(np.random.default_rng(31), imu.MPU6050)
    with Builder(tmp_path / "unit", imu.MPU6050, true, 33, {}, Stand(magnet=False)) as builder:
        builder.switch_on()
        seen = flown(apexfix, builder, day_at(tmp_path / "day"))
        code, _, said = apexfix("calibrate", "stand", tmp_path / "day", "--port", builder.unit.port, builder=builder)
    assert code == 5
    assert "the unit saw no encoder with a magnet; wire the encoder" in said
    error = float(wrapped(seen.sighting.azimuth_rad - MARK.azimuth_rad))
    assert seen.sighting.note == ""
    assert abs(error) < 3 * seen.sighting.sigma_azimuth_rad
    assert seen.sighting.sigma_azimuth_rad > 1.0 * DEG
