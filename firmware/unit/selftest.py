"""What the unit finds out about itself at start-up. Reports, never dies."""

from unit.attitude import turned, upright

_LONGEST_ERROR = 1e-5


def entry(name, complaint, good):
    """One line of the self-test: [name, "ok" or "bad", text]."""
    return [name, "bad", complaint] if complaint else [name, "ok", good]


def arithmetic():
    """A known answer: a quarter turn about z in 100 steps, and lying on the side. Finds floats that are not what we think."""
    q = (1.0, 0.0, 0.0, 0.0)
    for _ in range(100):
        q = turned(q, 0.0, 0.0, 1.5707963, 0.01)
    half = 0.70710678
    side = upright(0.0, 1.0, 0.0)
    error = max(abs(q[0] - half), abs(q[3] - half), abs(side[0] - half), abs(side[1] - half))
    return "" if error < _LONGEST_ERROR else "known answer missed by %g" % error


def buttons(mark, reference):
    stuck = [name for name, button in (("mark", mark), ("reference", reference)) if button.stuck]
    return "%s pressed at start-up: stuck, or wired to ground" % " and ".join(stuck) if stuck else ""
