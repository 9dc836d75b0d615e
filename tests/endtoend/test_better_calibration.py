"""An old day, a better calibration: uncalibrated units see a flight through the real firmware and are calibrated afterwards."""

import time
from dataclasses import dataclass, replace

import numpy as np
import pytest

from apexfix.calibrate.document import FORMAT, date_text, file_name, write_document
from apexfix.cli.reduction import reduced
from apexfix.pull import pull_all
from apexfix.reduce.options import Options
from apexfix.sim import imu, observer
from apexfix.sim.meadow import draw_flight
from apexfix.sim.truth import Wind
from apexfix.sim.virtual_unit import Hardware, VirtualUnit
from apexfix.units import DEG, SECOND_US

START_US = 1_781_334_000 * SECOND_US  # 2026-06-13 07:00 UTC, an invented date
LIFT_OFF_S = 60.0
END_S = 110.0
STATIONS = {"A": np.array([95.0, 0.0, 1.5]), "B": np.array([0.0, -110.0, 1.5])}
PINS = {"mark": 14, "reference": 15}


@dataclass(frozen=True)
class Flown:
    """A day folder and what was true of it."""

    folder: object
    faults: dict  # by serial
    apex_m: np.ndarray
    elevation_rad: dict  # of the tube when the mark was pressed, by station


def world_us(at_s):
    return START_US + round(at_s * SECOND_US)


def site_toml():
    lines = ["format = 1", "[site]", 'name = "Old day (invented)"']
    for name, place in STATIONS.items():
        east, north, up = place
        lines += ["[[station]]", f'id = "{name}"', f"east_m = {east}", f"north_m = {north}", f"up_m = {up}", f'unit = "u{name}"']
    return "\n".join(lines) + "\n"


def unit_at(name, rng, trajectory, folder):
    """Return a virtual unit that carries no calibration, its serial, its faults and the true elevation at its mark."""
    watch = observer.Watch(1, LIFT_OFF_S, trajectory)
    look, presses = observer.observe(rng, STATIONS[name], (watch,), int(END_S * imu.SAMPLE_HZ))
    true = replace(imu.faults(rng, imu.MPU6050), tube_body=np.array([1.0, 0.0, 0.0]))
    force_g, rate_dps = imu.motion_of(look, 0.3)
    folder.mkdir()
    counts = imu.counts(rng, imu.MPU6050, true, (force_g, rate_dps, np.full(len(force_g), 22.0)))
    counts.tofile(folder / "samples.bin")
    edges = [edge for press in presses for edge in observer.edges(rng, press, PINS[press.kind])]
    stamped = tuple(sorted(((world_us(at_s), pin, level) for at_s, pin, level in edges), key=lambda edge: edge[0]))
    serial = rng.bytes(8).hex()
    unit = VirtualUnit(folder, Hardware(serial, "MPU-6050", folder / "samples.bin", START_US, stamped), {"unit": f"u{name}"})
    (mark_s,) = (press.time_s for press in presses if press.kind == "mark")
    forward = look[round(mark_s * imu.SAMPLE_HZ)].apply([1.0, 0.0, 0.0])
    return unit, serial, true, float(np.arcsin(forward[2]))


@pytest.fixture(scope="module")
def flown(tmp_path_factory, micropython):
    """One flight, seen by two units with the faults of their data sheet and no calibration."""
    desk = tmp_path_factory.mktemp("old")
    folder = desk / "day"
    folder.mkdir()
    (folder / "site.toml").write_text(site_toml())
    rng = np.random.default_rng(8)
    trajectory = draw_flight(rng, Wind(2.0, 1.0))
    faults, elevation = {}, {}
    for name in STATIONS:
        unit, serial, faults[serial], elevation[name] = unit_at(name, rng, trajectory, desk / name)
        with unit:
            unit.start(world_us(1.0))
            unit.forward(world_us(END_S))
            began_us = time.time_ns() // 1000
            unit.live(world_us(END_S), began_us)
            (outcome,) = pull_all((unit.port,), folder, lambda zero=began_us: world_us(END_S) + time.time_ns() // 1000 - zero)
            assert not outcome.error
    return Flown(folder, faults, trajectory.apex_m, elevation)


def document(serial, true, years=1.5):
    """Return what a perfect calibration of that sensor would say, dated some time before the flight."""
    return {
        "format": FORMAT,
        "id": "perfect",
        "serial": serial,
        "imu": "MPU-6050",
        "date_utc": date_text(round(START_US - years * 365 * 86400e6)),
        "temperature_celsius": [20.0, 24.0],
        "accel_offset_g": (true.accel_offset_g + (22.0 - 25.0) * true.accel_drift_g_per_c).tolist(),
        "accel_matrix": np.linalg.inv(true.accel_matrix).tolist(),
        "gyro_matrix": np.linalg.inv(true.gyro_matrix).tolist(),
        "tube_body": true.tube_body.tolist(),
        "sigma_elevation_zero_deg": 0.02,
        "sigma_elevation_deg": 0.25,
        "sigma_azimuth_deg": 0.3,
    }


def elevation_errors_deg(flown, day):
    (flight,) = day.flights
    return [(s.elevation_rad - flown.elevation_rad[s.station]) / DEG for s in flight.sightings]


@pytest.fixture(scope="module")
def before(flown):
    return reduced(flown.folder, Options())


@pytest.fixture(scope="module")
def after(flown, before):
    """The same archive, reduced with a calibration in the folder."""
    archive = (flown.folder / "archive.sqlite").read_bytes()
    for serial, true in flown.faults.items():
        write_document(flown.folder / file_name(serial), document(serial, true))
    day = reduced(flown.folder, Options())
    assert (flown.folder / "archive.sqlite").read_bytes() == archive
    return day


def test_without_a_calibration_elevations_are_off_by_degrees_and_the_interval_says_so(flown, before):
    # the data sheet's offset of 40 mg alone is 2 degrees
    assert max(map(abs, elevation_errors_deg(flown, before))) > 1.0
    (flight,) = before.flights
    assert abs(flight.position_m[2] - flown.apex_m[2]) < 3 * np.sqrt(flight.covariance_m2[2, 2])


def test_a_calibration_put_into_the_folder_makes_the_old_day_right(flown, before, after):
    # what is left is one window of a hand-held tube: some hundredths of a degree
    assert elevation_errors_deg(flown, after) == pytest.approx([0.0, 0.0], abs=0.06)
    off = [abs(day.flights[0].position_m[2] - flown.apex_m[2]) for day in (before, after)]
    assert off[1] < 1.5 < off[0]


def test_the_height_gets_surer_by_what_the_calibration_states(before, after):
    sigma = [float(np.sqrt(day.flights[0].covariance_m2[2, 2])) for day in (before, after)]
    assert sigma[1] < sigma[0] / 3
    readings = [s.sigma_elevation_rad / DEG for s in after.flights[0].sightings]
    assert readings == pytest.approx([0.25, 0.25], rel=1e-3)  # and a little of the zero's


def test_an_old_calibration_is_told_of(after):
    for unit in after.units:
        assert any("days old" in concern for concern in unit.concerns)


def test_a_stale_calibration_is_not_used_and_the_day_says_why(flown, before, after):
    for serial, true in flown.faults.items():
        write_document(flown.folder / file_name(serial), document(serial, true, years=2.1))
    day = reduced(flown.folder, Options())
    assert elevation_errors_deg(flown, day) == pytest.approx(elevation_errors_deg(flown, before), abs=1e-6)
    assert sum("counts as not calibrated: the calibration is 767 days from" in remark for remark in day.remarks) == 2, day.remarks
