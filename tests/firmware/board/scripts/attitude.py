"""The attitude filter against rotations known in closed form (MicroPython)."""

import desk
from math import asin, atan2, cos, pi, radians, sin, sqrt
from unit.attitude import Attitude, level, upright
from unit.scale import Scale
from unit.stillness import Stillness

IDENTITY = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]
RATE_HZ = 100


class Counts:
    """One count a milli-g and a hundredth of a degree a second: easy to read."""

    accel_lsb_per_g = 1000.0
    gyro_lsb_per_dps = 100.0


def scale(turn=IDENTITY, calibration=None):
    return Scale(Counts, turn, calibration)


def elevation_deg(q):
    return asin(level(q, (1, 0, 0))[2]) * 180 / pi


def heading_deg(q):
    x, y, _ = level(q, (1, 0, 0))
    return atan2(x, y) * 180 / pi % 360


def fed(samples, dt_s=0.01):
    attitude = Attitude(scale(), RATE_HZ)
    t_us = 0
    for counts in samples:
        attitude.update(counts, dt_s, t_us)
        t_us += round(dt_s * 1e6)
    return attitude


def test_the_first_sample_sets_the_tilt_by_gravity():
    # Specific force of a tube raised by 30 degrees: x forward looks up, so it carries sin 30 of one g (docs/conventions.md).
    assert abs(elevation_deg(upright(sin(radians(30)), 0, cos(radians(30)))) - 30) < 1e-3
    # Left side up, and every octant: the body's up must be level's up.
    for a in ((0.3, 0.4, 0.5), (-0.3, 0.4, -0.8), (0.6, -0.7, 0.1), (-1, 0, 0), (0, -1, 0), (0, 0, -1)):
        g = sqrt(sum(x * x for x in a))
        up = level(upright(a[0], a[1], a[2]), a)
        assert abs(up[0]) < 1e-5 * g and abs(up[1]) < 1e-5 * g and abs(up[2] - g) < 1e-5 * g


def test_turns_about_each_axis_have_the_sign_of_the_right_hand():
    # About z (up), counter-clockwise seen from above: x goes to y. About y: z goes to x. About x: y goes to z.
    for gyro, start, end in (
        ((0, 0, 9000), (1, 0, 0), (0, 1, 0)),
        ((0, 9000, 0), (0, 0, 1), (1, 0, 0)),
        ((9000, 0, 0), (0, 1, 0), (0, 0, 1)),
    ):
        attitude = fed([(0, 0, 1000) + gyro] + [(0, 0, 0) + gyro] * 100)  # weightless: no gravity to pull
        assert max(abs(a - b) for a, b in zip(level(attitude.q, start), end)) < 1e-5


def test_a_level_turn_moves_the_heading_and_not_the_elevation():
    # Clockwise by 90 degrees in 2 s: -45 deg/s about up. Headings count clockwise.
    still = [(0, 0, 1000, 0, 0, 0)] * 10
    attitude = fed(still + [(0, 0, 1000, 0, 0, -4500)] * 200 + still)
    assert abs((heading_deg(attitude.q) - heading_deg(upright(0, 0, 1)) - 90) % 360) < 0.01
    assert abs(elevation_deg(attitude.q)) < 0.01


def test_the_trapezoid_follows_an_accelerating_turn_with_uneven_times():
    # rate = 60 t deg/s for 3 s: 270 degrees; the trapezoid is exact for a linear rate whatever the steps.
    attitude = Attitude(scale(), RATE_HZ)
    attitude.update((0, 0, 1000, 0, 0, 0), 0.0, 0)
    start = heading_deg(attitude.q)
    t_ms, step = 0, 0
    while t_ms < 3000:
        step = (step + 7) % 23
        dt_ms = min(1 + step, 3000 - t_ms)
        t_ms += dt_ms
        attitude.update((0, 0, 1000, 0, 0, -6 * t_ms), dt_ms * 1e-3, t_ms * 1000)
    assert abs((heading_deg(attitude.q) - start - 270 + 180) % 360 - 180) < 0.02


def test_tilt_converges_to_gravity_and_the_heading_stays():
    attitude = fed([(0, 0, 1000, 0, 0, 0)])
    attitude.q = (cos(radians(5)), 0.0, -sin(radians(5)), 0.0)  # ten degrees too high
    heading = heading_deg(attitude.q)
    errors = []
    for number in range(1000):
        attitude.update((0, 0, 1000, 0, 0, 0), 0.01, number * 10_000)
        errors.append(elevation_deg(attitude.q))
    # A pull of one per second behind a lag of 0.3 s: 0.3 x'' + x' + x = 0 from rest, x = exp(-s t) (cos w t + s / w sin w t) with
    # s = 1 / 0.6, w = sqrt(1 / 0.3 - s s): of ten degrees 4.25 are left after a second, 0.08 after three. Samples in groups of three
    # come 30 ms late, in which the tilt changes by 0.1.
    assert 4.25 < errors[99] < 4.45 and abs(errors[299]) < 0.15 and abs(errors[999]) < 0.01
    assert min(errors) > -0.1  # no swing beyond
    assert abs(heading_deg(attitude.q) - heading) < 0.01


def test_a_swaying_hand_tilts_as_little_as_the_pull_and_its_lag_say():
    sway = 2 * pi * 2.0  # twice a second, by a fifth of a g
    attitude = fed([(round(200 * sin(sway * n * 0.01)), 0, 1000, 0, 0, 0) for n in range(600)])
    most = 0.0
    for n in range(600, 700):
        attitude.update((round(200 * sin(sway * n * 0.01)), 0, 1000, 0, 0, 0), 0.01, n * 10_000)
        most = max(most, abs(elevation_deg(attitude.q)))
    # 0.3 x'' + x' + x = sway of 0.2 rad: 0.2 / |1 - 0.3 w w + i w|, a quarter of a degree; a pull without a lag lets 0.9 through
    expected = 0.2 / sqrt((1 - 0.3 * sway**2) ** 2 + sway**2) * 180 / pi
    assert abs(most - expected) < 0.1 * expected


def test_a_pull_lets_go_while_nobody_knows_where_up_is():
    attitude = fed([(0, 0, 1000, 0, 0, 0)] * 10 + [(300, 0, 950, 0, 0, 0)] * 50)
    before = elevation_deg(attitude.q)
    for n in range(60, 200):
        attitude.update((3000, 0, 3000, 0, 0, 0), 0.01, n * 10_000)
    # what is left of the pull falls by an eleventh a sample: it turns for a tenth of a second more
    assert abs(elevation_deg(attitude.q) - before) < 0.12 * 17.5 * 0.8


def test_a_jerk_does_not_tilt():
    attitude = fed([(0, 0, 1000, 0, 0, 0)] * 10 + [(900, 0, 1000, 0, 0, 0)] * 100)
    assert abs(elevation_deg(attitude.q)) < 0.01


def test_the_offset_is_learnt_at_rest_and_taken_off():
    noise = [((i * 37) % 21) - 10 for i in range(400)]  # 0.1 deg/s either way
    attitude = fed([(0, 0, 1000, 150 + noise[i], -80 + noise[(i * 7) % 400], 60) for i in range(400)])
    offset = [x * 180 / pi for x in attitude.still.offset_rad_s]
    assert max(abs(a - b) for a, b in zip(offset, (1.5, -0.8, 0.6))) < 0.02
    assert attitude.still.renewed_us == 3_990_000 and attitude.still.since_us == 0
    heading = heading_deg(attitude.q)
    for number in range(1000):
        attitude.update((0, 0, 1000, 150, -80, 60), 0.01, 4_000_000 + number * 10_000)
    assert abs(heading_deg(attitude.q) - heading) < 0.2  # six degrees without the offset


def test_a_slow_even_turn_is_not_taken_for_an_offset():
    still = Stillness(scale(), RATE_HZ)
    for number in range(300):
        still.update(0, 0, 57, number * 10_000)
    for number in range(300, 600):
        still.update(0, 0, 257, number * 10_000)
    assert abs(still.offset_rad_s[2] - radians(0.57)) < 1e-4


def even_turn(rate_dps, seconds):
    """A second of rest at no offset, then an even turn: the offset in force afterwards, in degrees a second."""
    still = Stillness(scale(), RATE_HZ)
    for number in range(RATE_HZ):
        still.update(0, 0, 0, number * 10_000)
    for number in range(RATE_HZ, RATE_HZ * (1 + seconds)):
        still.update(0, 0, int(rate_dps * 100), number * 10_000)
    return still.offset_rad_s[2] * 180 / pi


def test_an_offset_that_moved_while_warm_is_taken_after_ten_seconds_and_a_turntable_never():
    assert even_turn(1.0, 9) == 0.0 and abs(even_turn(1.0, 11) - 1.0) < 1e-4
    assert even_turn(9.0, 60) == 0.0


def test_a_short_rest_does_not_throw_a_long_one_away():
    def rest(still, seconds, x, began_us):
        for number in range(seconds * RATE_HZ):
            still.update(x, 0, 0, began_us + number * 10_000)

    def after(pause_us):
        """The offset in force after 20 s of rest at 0.5 deg/s, a pause in the hands, and a second that reads 0.52."""
        still = Stillness(scale(), RATE_HZ)
        rest(still, 20, 50, 0)
        still.update(500, 0, 0, 20_000_000)
        rest(still, 1, 52, 20_000_000 + pause_us)
        still.update(52, 0, 0, 21_000_000 + pause_us)  # the sample that ended the motion was the first of those
        return still.offset_rad_s[0] * 180 / pi

    # noise 0.006 deg/s, six seconds' worth of it known; the offset strays by 0.0011 in a root second
    assert 0.502 < after(1_000_000) < 0.504
    assert 0.518 < after(600_000_000) < 0.52


def test_motion_ends_stillness_at_once():
    still = Stillness(scale(), RATE_HZ)
    for number in range(150):
        still.update(0, 0, 0, number * 10_000)
    assert still.since_us == 0
    still.update(500, 0, 0, 1_500_000)
    assert still.since_us == -1 and still.renewed_us == 990_000


def test_a_turn_under_true_gravity_is_not_pulled_aside():
    # Pitching up and down by 40 degrees at 50 deg/s with the gravity that belongs to it: only the filter's own delay could tilt.
    def at(t_s):
        return 40 * sin(1.25 * t_s)

    samples = []
    for number in range(2000):
        angle = radians(at(number * 0.01))
        gyro = -(at((number + 0.5) * 0.01) - at((number - 0.5) * 0.01)) * 100
        samples.append((round(1000 * sin(angle)), 0, round(1000 * cos(angle)), 0, round(100 * gyro), 0))
    attitude = fed(samples)
    assert abs(elevation_deg(attitude.q) - at(19.99)) < 0.05


def test_the_quaternion_stays_of_unit_length():
    # Between two looks at gravity a step of the half angle t lengthens it by t * t / 6: 2e-4 at 390 deg/s, 1e-6 at a tracker's 25.
    for gravity in (1000, 0):  # with and without gravity to meet
        for gyro, most in (((20000, -15000, 30000), 1e-3), ((1300, 0, 2100), 4e-6)):
            attitude = fed([(0, 0, 1000) + gyro] + [(0, 0, gravity) + gyro] * 3000)
            assert abs(sum(x * x for x in attitude.q) - 1.0) < most


def test_a_long_step_keeps_the_length_and_the_angle():
    attitude = fed([(0, 0, 1000, 0, 0, 0)] * 5)
    attitude.update((0, 0, 1000, 0, 0, -20000), 0.01, 0)
    before = heading_deg(attitude.q)
    attitude.update((0, 0, 1000, 0, 0, -20000), 0.2, 0)
    assert abs(sum(x * x for x in attitude.q) - 1.0) < 1e-6
    assert abs((heading_deg(attitude.q) - before - 40 + 180) % 360 - 180) < 0.05


def test_a_gap_or_a_saturated_gyroscope_ends_the_run():
    attitude = fed([(0, 0, 1000, 0, 0, 0)] * 5)
    assert attitude.run == 1
    attitude.update((0, 0, 1000, 0, 0, 0), 0.249, 0)
    assert attitude.run == 1
    attitude.update((0, 0, 1000, 0, 0, 0), 0.26, 0)
    assert attitude.run == 2
    for counts in ((0, 0, 1000, 32767, 0, 0), (0, 0, 1000, 0, -32768, 0), (0, 0, 1000, 0, 0, 0)):
        attitude.update(counts, 0.01, 0)
    assert attitude.run == 3  # one stretch of saturation is one loss
    attitude.update((0, 0, 1000, 0, 0, 32767), 0.01, 0)
    assert attitude.run == 4


def test_a_gap_at_rest_of_up_to_half_a_second_keeps_the_run_and_one_after_a_move_does_not():
    at_rest, moved = (0, 0, 1000, 0, 0, 0), (0, 0, 1000, 0, 0, 200)
    for counts, gap_s, runs in ((at_rest, 0.499, 1), (at_rest, 0.51, 2), (moved, 0.499, 2)):
        attitude = fed([at_rest] * 120)
        assert attitude.still.since_us >= 0
        attitude.update(counts, gap_s, 0)
        assert attitude.run == runs, (counts, gap_s)


def test_calibration_and_mounting_follow_the_protocol_page():
    # specific force = matrix (counts / lsb - offset); rate = matrix counts / lsb; then body_from_sensor. By hand:
    calibration = {
        "accel_offset_g": [0.1, 0.2, 0.3],
        "accel_matrix": [[2, 0, 0], [0, 3, 1], [0, 0, 4]],
        "gyro_matrix": [[1, 0, 0], [0, 0.5, 0], [0.25, 0, 1]],
        "tube_body": [0, 1, 0],
    }
    turn = [[0, -1, 0], [1, 0, 0], [0, 0, 1]]  # body x is sensor -y, body y is sensor x
    made = scale(turn, calibration)
    counts = (1100, 1200, 1300, 18000, 36000, -9000)
    # sensor: (2 * 1, 3 * 1 + 1 * 1, 4 * 1) = (2, 4, 4); rates (180, 180, 45 - 90) deg/s
    assert max(abs(a - b) for a, b in zip(made.accel_g(counts), (-4, 2, 4))) < 1e-5
    assert max(abs(a - b) for a, b in zip(made.mean_rate_rad_s(18000, 36000, -9000, 1), (-pi, pi, -pi / 4))) < 1e-5
    for rows, first, per_unit, expected in (
        (made.gyro, 3, made.gyro_parts_per_rad_s, (-pi, pi, -pi / 4)),
        (made.accel, 0, made.accel_parts_per_g, (-4 - 0.9, 2 + 0.2, 4 + 1.2)),  # the offset not yet taken off
    ):
        parts = [sum(rows[3 * i + k] * counts[first + k] for k in (0, 1, 2)) for i in (0, 1, 2)]
        assert max(abs(part / per_unit - value) for part, value in zip(parts, expected)) < 1e-3
    assert max(abs(part / made.accel_parts_per_g - value) for part, value in zip(made.accel_offset, (-0.9, 0.2, 1.2))) < 1e-6
    assert made.tube_body == [0, 1, 0]


desk.run(globals())
