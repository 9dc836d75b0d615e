"""What the unit finds out about itself at start-up. Reports, never dies."""

from unit.as5600 import UNKNOWN
from unit.attitude import Attitude, upright
from unit.scale import Scale

_LONGEST_ERROR = 1e-5


def entry(name, complaint, good):
    """One line of the self-test: [name, "ok" or "bad", text]."""
    return [name, "bad", complaint] if complaint else [name, "ok", good]


class _Counts:
    accel_lsb_per_g = 16384.0
    gyro_lsb_per_dps = 65.5


def arithmetic():
    """A known answer: a quarter turn about z in 90 steps, and lying on the side. Finds floats that are not what we think."""
    attitude = Attitude(Scale(_Counts, ((1, 0, 0), (0, 1, 0), (0, 0, 1)), None), 100)
    for number in range(91):
        attitude.update((0, 0, 16384, 0, 0, 6550), 0.01, number * 10000)
    half = 0.70710678
    w, _, _, z = attitude.q
    side = upright(0.0, 1.0, 0.0)
    error = max(abs(w - half), abs(z - half), abs(side[0] - half), abs(side[1] - half))
    return "" if error < _LONGEST_ERROR else "known answer missed by %g" % error


def encoder(found):
    try:
        return "no magnet in reach of it" if found.angle() == UNKNOWN else ""
    except OSError as error:
        return "silent: %s" % error


def buttons(mark, reference):
    stuck = [name for name, button in (("mark", mark), ("reference", reference)) if button.stuck]
    return "%s pressed at start-up: stuck, or wired to ground" % " and ".join(stuck) if stuck else ""
