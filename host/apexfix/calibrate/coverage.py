"""Which way up a unit has been, and which poses are still missing, in words for the person who holds it."""

from itertools import product
from typing import Final

import numpy as np

from apexfix.errors import CalibrationError
from apexfix.model import Vector

LEAST_POSES: Final = 6
GOOD_POSES: Final = 12
_NEAR: Final = 0.82  # cosine: within 35 degrees; neighbours among faces and edges are 45 degrees apart
_FACE: Final = 0.6  # cosine: a pose within 53 degrees of a face speaks for it
_FLAT: Final = 0.02  # smallest eigenvalue of the directions' moment; 1/3 is a full sphere

# Upward directions in body axes (x along the tube, y left, z up when the tube is level): six faces, then twelve edges.
_FACES: Final = tuple(tuple(float(s) if i == axis else 0.0 for i in range(3)) for axis in (2, 0, 1) for s in (1, -1))
_EDGES: Final = tuple(tuple(map(float, v)) for v in product((1, 0, -1), repeat=3) if sum(map(abs, v)) == 2)
RECOMMENDED: Final = np.array([*_FACES, *[np.array(edge) / np.sqrt(2) for edge in _EDGES]])  # (18, 3)


def words(up_body: Vector) -> str:
    """Return how to hold a unit so that a direction of its body points up.

    Examples
    --------
    >>> words(np.array([0.0, 0.0, 1.0]))
    'tube level, top side up'
    >>> words(np.array([-1.0, 0.0, 0.0]))
    'tube straight down'
    >>> words(np.array([0.7, 0.7, 0.0]))
    'tube 45° up, left side up'
    """
    forward, left, top = (int(np.sign(round(float(c), 1))) for c in np.asarray(up_body) / np.max(np.abs(up_body)))
    steep = {1: "up", -1: "down"}
    if forward and not (left or top):
        return f"tube straight {steep[forward]}"
    tube = f"tube 45° {steep[forward]}" if forward else "tube level"
    sides = [("left" if left > 0 else "right") + " side up"] if left else []
    sides += [("top side up" if top > 0 else "upside down")] if top else []
    return f"{tube}, {' and '.join(sides)}" + (" (rolled 45°)" if left and top else "")


def missing(up_body: Vector) -> tuple[str, ...]:
    """Return the recommended poses that none of (N, 3) upward directions comes near to, the next one to take first."""
    directions = _unit(up_body)
    far = [pose for pose in RECOMMENDED if not np.any(directions @ pose > _NEAR)]
    return tuple(words(pose) for pose in far)


def demand_coverage(up_body: Vector) -> None:
    """Refuse poses that cannot show what an accelerometer gets wrong.

    Raises
    ------
    CalibrationError
        Says which faces are missing and how to take them.
    """
    directions = _unit(up_body)
    count = len(directions)
    lacking = [words(np.array(face)) for face in _FACES if not np.any(directions @ np.array(face) > _FACE)]
    if count >= LEAST_POSES and not lacking:
        return
    flat = count > 2 and float(np.linalg.eigvalsh(directions.T @ directions / count)[0]) < _FLAT
    seen = f"{count} still poses" + (", all in one plane" if flat else "")
    advice = f"take these poses, each resting still for 4 s: {'; '.join(lacking)}" if lacking else "take more poses of the list"
    needed = f"{LEAST_POSES} or more that turn every side of the unit up are needed ({GOOD_POSES} to 18 are better)"
    raise CalibrationError(f"{seen} seen, {needed}; {advice}")


def _unit(vectors: Vector) -> Vector:
    array = np.asarray(vectors, dtype=np.float64).reshape(-1, 3)
    return np.asarray(array / np.linalg.norm(array, axis=1, keepdims=True))
