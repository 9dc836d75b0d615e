"""Heights from units that nobody calibrated: are they as unsure as they say? Archives packed by hand, the faults simulated.

Each unit has the faults of its data sheet (`sim.imu`); its attitude is what a unit at rest makes of its accelerometer, by the
shortest turn upright. No samples come with the presses.
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from apexfix.fieldwork import read_field_day
from apexfix.reduce.day import reduce_day
from apexfix.sim import imu

MARK, REFERENCE = 1, 2
STATIONS = {"A": (150.0, 0.0, 1.5), "B": (-80.0, 130.0, 1.5), "C": (-70.0, -140.0, 1.5)}
DAYS, FLIGHTS = 20, 6
AIM_DEG, HAND_DEG, ROLL_DEG = 0.2, 0.3, 3.0
UP = np.array([0.0, 0.0, 1.0])


def site_text():
    lines = ["format = 1", "[site]", 'name = "Units as they come"']
    for name, (east, north, up) in STATIONS.items():
        lines += ["[[station]]", f'id = "{name}"', f"east_m = {east}", f"north_m = {north}", f"up_m = {up}", f'unit = "u{name}"']
    return "\n".join(lines) + "\n"


def held(azimuth_deg, elevation_deg, roll_deg):
    """enu_from_body of a unit whose body x looks there."""
    return Rotation.from_euler("ZYX", [90 - azimuth_deg, -elevation_deg, roll_deg], degrees=True)


def aimed(faults, azimuth_deg, elevation_deg, roll_deg):
    """The same, with the tube as it is mounted on the target."""
    azimuth, elevation = azimuth_deg, elevation_deg
    for _ in range(6):
        east, north, up = held(azimuth, elevation, roll_deg).apply(faults.tube_body)
        azimuth -= (np.degrees(np.arctan2(east, north)) - azimuth_deg + 180) % 360 - 180
        elevation -= np.degrees(np.arcsin(up)) - elevation_deg
    return held(azimuth, elevation, roll_deg)


def believed(faults, enu_from_body):
    """What the unit takes for its attitude: turned so that its accelerometer shows up."""
    force = enu_from_body.apply(faults.accel_matrix @ enu_from_body.inv().apply(UP) + faults.accel_offset_g)
    return Rotation.align_vectors([UP], [force])[0] * enu_from_body


def flown_day(rng, part, day):
    """Enter six flights, each between two backsights of the pad; return the true heights."""
    (day.folder / "site.toml").write_text(site_text())
    apexes = np.column_stack([rng.normal(0, 20, (FLIGHTS, 2)), rng.uniform(80, 200, FLIGHTS)])
    for name, station in STATIONS.items():
        faults, unit = imu.faults(rng, part), f"u{name}"
        pad_deg = np.degrees(np.arctan2(-station[0], -station[1]))
        records = [day.boot(unit, imu=part.name)]
        for flight, apex in enumerate(apexes, 1):
            sight = apex - station
            level = np.hypot(sight[0], sight[1])
            azimuth, elevation = np.degrees(np.arctan2(sight[0], sight[1])), np.degrees(np.arctan2(sight[2], level))
            across = rng.normal(0, HAND_DEG) / np.cos(np.radians(elevation))
            for after_s, kind, where in (
                (0.0, REFERENCE, (pad_deg + rng.normal(0, AIM_DEG), rng.normal(0, AIM_DEG))),
                (15.0, MARK, (azimuth + across, elevation + rng.normal(0, HAND_DEG))),
                (30.0, REFERENCE, (pad_deg + rng.normal(0, AIM_DEG), rng.normal(0, AIM_DEG))),
            ):
                attitude = believed(faults, aimed(faults, *where, rng.normal(0, ROLL_DEG)))
                if kind == MARK:  # its gyroscope tells the turn too long or too short
                    turned = (azimuth - pad_deg + 180) % 360 - 180
                    attitude = Rotation.from_rotvec(-UP * turned * (faults.gyro_matrix[2, 2] - 1), degrees=True) * attitude
                quaternion = attitude.as_quat(scalar_first=True)
                at_s = 600.0 + 120 * flight + after_s
                records.append(day.press(at_s, flight, kind, quaternion, still_us=round((at_s - after_s - 10) * 1e6)))
        day.unit(unit, records)
    return apexes[:, 2]


@pytest.mark.parametrize("part", [imu.MPU6050, imu.LSM6DSOX], ids=lambda part: part.name)
def test_heights_of_units_as_they_come_are_as_unsure_as_they_say(part, hand_day, tmp_path):
    rng = np.random.default_rng(41)
    squares, inside = [], []
    for number in range(DAYS):
        folder = tmp_path / str(number)
        folder.mkdir()
        day = type(hand_day)(folder)
        truth = flown_day(rng, part, day)
        field = read_field_day(folder)
        for result, height in zip(reduce_day(field.site, field.flights).flights, truth, strict=True):
            squares.append((result.position_m[2] - height) ** 2 / result.covariance_m2[2, 2])
            inside.append(result.interval95_m[0] <= height <= result.interval95_m[1])
    # Flights of a day share their units' zeros, so that the 120 squares count for some 60 independent ones: their mean is within
    # these limits in 99 of 100 cases (chi-square tables). 60 days of other seeds: 1.20 and 1.15, 93 and 92 % inside.
    assert 0.59 < np.mean(squares) < 1.53
    assert np.mean(inside) > 0.87
