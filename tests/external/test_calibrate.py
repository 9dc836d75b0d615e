"""Calibration against the outside: tilt formulas, the published Allan data, the statistics of a theodolite's field test."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from apexfix.calibrate.adjustment import Recordings, adjust, elevations_of
from apexfix.calibrate.allan import allan_deviation, noise_of
from apexfix.calibrate.field_test import Reading, Spread, field_test
from apexfix.calibrate.stillness import Rest, Samples, rest_around, rests_in
from apexfix.sim import builder
from apexfix.units import DEG

AS_IT_COMES = np.zeros(11)  # offset, matrix less the unit matrix, tube: a sensor without faults
LEVEL_TUBE = np.array([1.0, 0.0, 0.0])


def elevation_deg(reading_g):
    return float(elevations_of(AS_IT_COMES, np.atleast_2d(reading_g), np.eye(3))[0] / DEG)


def still_reading_g(elevation_rad, roll_rad=0.0):
    """What a faultless sensor on a tube reads, by the simulator's own attitude."""
    return builder.aimed(LEVEL_TUBE, (0.7, elevation_rad), roll_rad).inv().apply([0.0, 0.0, 1.0])


# --- tilt ---------------------------------------------------------------------------------------------------------------


@given(st.floats(-1.5, 1.5), st.floats(-3.1, 3.1), st.floats(0.9, 1.1))
def test_the_elevation_is_the_pitch_of_the_application_note(pitch, roll, length):
    # NXP AN3461 rev 4 (2012): roll = atan2(Gy, Gz), pitch = atan2(-Gx, sqrt(Gy^2 + Gz^2)). Its axes are x forward, y right, z down
    # and its G is gravity, so that G = (-fx, fy, fz) of our specific force: the pitch upward is our elevation.
    g = length * np.array([-np.sin(pitch), np.cos(pitch) * np.sin(roll), np.cos(pitch) * np.cos(roll)])
    published = np.degrees(np.arctan2(-g[0], np.hypot(g[1], g[2])))
    assert elevation_deg([-g[0], g[1], g[2]]) == pytest.approx(published, abs=1e-9)


@pytest.mark.parametrize(("at_deg", "mg_for_a_degree"), [(0, 17.453), (45, 12.341), (80, 3.031)])
def test_one_axis_feels_a_degree_as_the_application_note_says(at_deg, mg_for_a_degree):
    # AN3461: one axis alone changes by 17.453 cos(elevation) mg for a degree, 1 g being 1000 mg
    step_deg = 0.01
    low, high = (still_reading_g((at_deg + half) * DEG)[0] for half in (-step_deg / 2, step_deg / 2))
    assert (high - low) * 1000 / step_deg == pytest.approx(mg_for_a_degree, abs=0.0006)


@pytest.mark.parametrize(("at_deg", "too_high_deg"), [(30, 2.419), (60, 1.373)])
def test_fifty_milligee_on_the_long_axis_tilt_as_worked_by_hand(at_deg, too_high_deg):
    # atan2(sin E + 0.05, cos E) - E, the data sheets' zero-g tolerance of the cheap part (50 mg)
    assert elevation_deg(still_reading_g(at_deg * DEG, 0.4) + np.array([0.05, 0, 0])) - at_deg == pytest.approx(
        too_high_deg, abs=0.0006
    )


def test_six_exact_faces_give_the_offsets_and_scales_of_the_worked_vector():
    # exact vector, worked by hand: faces +x 16500 -x -16100 +y 16300 -y -16500 +z 16900 -z -15700 counts of nominally 16384 per g
    counts = np.diag([16500.0, 16300, 16900]), np.diag([-16100.0, -16500, -15700])
    cross = np.array([200.0, -100, 600]) * (1 - np.eye(3))  # an axis that lies level reads its offset
    faces = np.vstack([counts[0] + cross, counts[1] + cross]) / 16384
    found = adjust(Recordings([Rest(face, np.zeros(3), 1e-5, 4.0, 25.0) for face in faces]), np.eye(3))
    assert found.offset_g * 16384 == pytest.approx([200, -100, 600], abs=0.05)
    assert 16384 / np.diag(found.matrix) == pytest.approx([16300, 16400, 16300], abs=0.05)
    assert found.residual_rad / DEG < 1e-5


# --- noise --------------------------------------------------------------------------------------------------------------


def test_the_allan_deviation_of_the_published_thousand_points_is_the_published_one():
    # NIST Special Publication 1065 (Riley 2008), section 12.4: data by n = 16807 n mod 2147483647 from 1234567890, divided by the
    # modulus; table 31, overlapping Allan deviation at averaging factors 1, 10, 100
    n = [1_234_567_890]
    while len(n) < 1000:
        n.append(16807 * n[-1] % 2147483647)
    found = allan_deviation(np.array(n) / 2147483647, np.array([1, 10, 100]))
    assert found == pytest.approx([2.922319e-01, 9.159953e-02, 3.241343e-02], rel=5e-7)


def test_the_allan_deviation_of_the_nine_points_is_that_of_the_monograph():
    # NBS Monograph 140 (1974), annex 8.E, as in NIST SP 1065 table 30: overlapping, factors 1 and 2
    found = allan_deviation(np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677]), np.array([1, 2]))
    assert found == pytest.approx([91.22945, 85.95287], abs=5e-5)


def test_white_noise_falls_with_the_root_of_the_time_and_has_no_bias_instability():
    # IEEE Std 952, annex C: deviation = density / sqrt(tau); density of samples with sigma s at a rate r is s / sqrt(r)
    noise = noise_of(np.random.default_rng(4).normal(0, 0.05, 200 * 100), 100.0)
    assert noise.white == pytest.approx(0.005, rel=0.05)
    assert noise.instability is None
    short = noise.tau_s < 2.0
    assert noise.deviation[short] * np.sqrt(noise.tau_s[short]) == pytest.approx(0.005, rel=0.1)


def test_a_wandering_bias_shows_as_the_plateau_of_its_instability():
    # IEEE Std 952: flicker noise of coefficient B, of two-sided density B^2 / (2 pi f), has a plateau of 0.664 B
    count, rate_hz = 1 << 17, 100.0
    white = np.fft.rfft(np.random.default_rng(6).normal(0, 1, count))  # of two-sided density 1 / rate
    frequency = np.maximum(np.fft.rfftfreq(count, 1 / rate_hz), rate_hz / count)
    flicker = np.fft.irfft(white * np.sqrt(0.02**2 / (2 * np.pi * frequency) * rate_hz), count)
    plateau = allan_deviation(flicker, 2 ** np.arange(7, 13))
    assert plateau / 0.664 == pytest.approx(0.02, rel=0.15)


# --- the field test -----------------------------------------------------------------------------------------------------


def sighted(rng, sets, targets, sigma_rad, collimation_rad=0.0):
    """Readings of targets at 0, 15, 30 ... degrees; a tube askew reads too high in face 1 and too low in face 2."""
    readings, t_s = [], 0.0
    for s, face, t in product(range(1, sets + 1), (1, 2), range(targets)):
        t_s += rng.uniform(10, 25)
        askew = collimation_rad if face == 1 else -collimation_rad
        elevation, heading = np.array([15 * t * DEG + askew, 0.4 * t]) + rng.normal(0, sigma_rad, 2)
        readings.append(Reading(s, f"T{t}", face, t_s, float(elevation), float(heading)))
    return readings


@pytest.mark.parametrize(("sets", "targets"), [(3, 3), (3, 4), (3, 5), (4, 3), (12, 4)])
def test_the_degrees_of_freedom_are_those_of_repeated_sets(sets, targets):
    # ISO 17123-3 counts (sets - 1) for each target, of means over both faces (from memory); here each face counts for itself
    found = field_test(sighted(np.random.default_rng(1), sets, targets, 1e-3))
    assert found.elevation.freedom == 2 * (sets - 1) * targets
    # in azimuth every set has its own orientation, one of which is the targets' own, and its own steady drift
    assert found.azimuth.freedom == 2 * (sets - 1) * targets - (sets - 1) - sets


def test_the_standard_deviation_is_the_pooled_one_of_the_standard():
    # ISO 17123-3, vertical angles (formulas from memory): mean over both faces, residuals from each target's mean over the sets,
    # s = sqrt(sum of squares / ((sets - 1) targets)). Where both faces err alike, a face's own deviation is the same.
    rng = np.random.default_rng(2)
    error = rng.normal(0, 1e-3, (3, 4))
    readings = [Reading(s + 1, f"T{t}", face, 0.0, 0.3 * t + error[s, t] + (5e-3 if face == 1 else -5e-3), None)
                for s in range(3) for t in range(4) for face in (1, 2)]  # fmt: skip
    mean_of_faces = np.array([[0.3 * t + error[s, t] for t in range(4)] for s in range(3)])
    residual = mean_of_faces - mean_of_faces.mean(axis=0)
    found = field_test(readings)
    assert found.elevation.sigma_rad == pytest.approx(np.sqrt(np.sum(residual**2) / (2 * 4)), rel=1e-12)
    assert found.index_rad == pytest.approx(5e-3)
    assert found.azimuth is None


@pytest.mark.parametrize(("freedom", "low", "high"), [(8, 2.180, 17.535), (10, 3.247, 20.483), (20, 9.591, 34.170)])
def test_the_interval_of_a_standard_deviation_is_that_of_the_chi_square_table(freedom, low, high):
    # NIST/SEMATECH e-Handbook, section 1.3.6.7.4: critical values at 0.025 and 0.975
    found = Spread(1.0, freedom).interval95_rad
    assert found == pytest.approx((np.sqrt(freedom / high), np.sqrt(freedom / low)), rel=2e-4)


def test_the_field_test_tells_the_spread_that_it_was_given():
    # 200 seeded tests: mean square over the true variance is 1 within four of its own standard errors, in both angles
    truth = 0.1 * DEG
    found = [field_test(sighted(rng, 3, 3, truth, 0.3 * DEG)) for rng in np.random.default_rng(3).spawn(200)]
    for spreads in ([f.elevation for f in found], [f.azimuth for f in found]):
        ratio = np.mean([(s.sigma_rad / truth) ** 2 for s in spreads])
        assert abs(ratio - 1) < 4 * np.sqrt(2 / (200 * spreads[0].freedom))
        inside = np.mean([s.interval95_rad[0] <= truth <= s.interval95_rad[1] for s in spreads])
        assert 0.90 <= inside <= 0.99  # 95 % less and more three standard errors of 200 tests
    index = np.array([f.index_rad - 0.3 * DEG for f in found]) / [f.sigma_index_rad for f in found]
    assert np.mean(index**2) == pytest.approx(12 / 10, abs=0.5)  # Student's t with 12 degrees of freedom has the variance 12/10


def test_a_heading_that_drifts_evenly_does_not_pass_for_a_poor_azimuth():
    rng = np.random.default_rng(5)
    still = sighted(rng, 3, 3, 0.05 * DEG)
    drifting = [
        Reading(r.set, r.target, r.face, r.t_s, r.elevation_rad, (r.heading_rad + r.set + 2e-4 * r.t_s) % (2 * np.pi))
        for r in still
    ]
    found, undisturbed = field_test(drifting), field_test(still)
    assert found.azimuth.sigma_rad == pytest.approx(undisturbed.azimuth.sigma_rad, rel=1e-6)


def test_the_two_roads_to_a_still_reading_agree():
    # scipy's rotations against the angles in words: a tube 20 degrees up, rolled by 180 degrees, hangs upside down
    reading = still_reading_g(20 * DEG, np.pi)
    assert reading == pytest.approx([np.sin(20 * DEG), 0.0, -np.cos(20 * DEG)], abs=1e-12)
    assert reading == pytest.approx(Rotation.from_euler("y", 20, degrees=True).apply([0, 0, -1]) * [-1, 1, 1], abs=1e-12)


# --- a real sensor ------------------------------------------------------------------------------------------------------


def recorded(shared_data, name):
    """A recording of a real MPU-6050 at rest. Its stamps are arrivals at the host, so the samples are spread evenly over them."""
    h5py = pytest.importorskip("h5py")
    channels = []
    for kind, key in (("accelerometer", "accelBuffer"), ("gyroscope", "gyroBuffer")):
        with h5py.File(shared_data / "mpu6050_static" / f"{name}_{kind}.mat") as file:
            channels.append(file[key][()])
    count = min(int(np.argmax(channel[0])) for channel in channels) + 1  # the buffers end in zeros
    length_us = (channels[0][0, count - 1] - channels[0][0, 0]) * 1e6
    t_us = np.round(np.arange(count) * length_us / (count - 1)).astype(np.int64)
    return Samples(t_us, channels[0][1:, :count].T, channels[1][1:, :count].T, None)


@pytest.mark.parametrize(
    "name",
    ["mpu6050", "set-1_unmoved-x-pointing-forward", "set-1_unmoved-x-pointing-up", "set-2_unmoved-with-z-pointing-front-and-x-up"],
)
def test_a_real_sensor_at_rest_passes_for_still_from_its_beginning_to_its_end(shared_data, name):
    samples = recorded(shared_data, name)
    (rest,) = rests_in(samples)
    assert rest.seconds > 0.99 * samples.t_us[-1] * 1e-6 - 1


def test_the_elevation_of_a_real_sensor_repeats_to_fifteen_thousandths_of_a_degree(shared_data):
    samples = recorded(shared_data, "mpu6050")
    numbers = samples.t_us // 3_000_000
    pieces = [samples.t_us[numbers == n] for n in range(int(numbers[-1]))]
    rests = [rest_around(_between(samples, piece[0], piece[-1]), int(piece[len(piece) // 2])) for piece in pieces]
    elevation = elevations_of(AS_IT_COMES, np.array([rest.force_g for rest in rests]), np.eye(3))
    assert len(rests) == 218
    assert np.std(elevation, ddof=1) / DEG <= 0.015
    # what each rest says of its own mean, from its quarter-seconds alone, is what the means really scatter
    stated = np.sqrt(np.mean([rest.sigma_force_g**2 for rest in rests]))
    assert stated == pytest.approx(float(np.std(elevation, ddof=1)), rel=0.4)


def test_the_gyroscope_noise_of_a_real_sensor_is_near_its_data_sheet(shared_data):
    # MPU-6000/MPU-6050 product specification, section 6.1: 0.005 deg/s per root hertz at 10 Hz, typical
    samples = recorded(shared_data, "mpu6050")
    white = [noise_of(samples.rate_dps[:, axis], 99.3).white for axis in range(3)]
    assert all(0.0025 < value < 0.02 for value in white)


def _between(samples, first_us, last_us):
    kept = (samples.t_us >= first_us) & (samples.t_us <= last_us)
    return Samples(samples.t_us[kept], samples.force_g[kept], samples.rate_dps[kept], None)
