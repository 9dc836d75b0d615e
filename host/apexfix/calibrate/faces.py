"""Offset and scale from six exact faces, in closed form."""

import numpy as np

from apexfix.model import Vector


def six_faces(readings: Vector) -> tuple[Vector, Vector]:
    """Return (3,) offsets and (3,) sensitivities, in the unit of the readings, the second per g.

    Parameters
    ----------
    readings : (3, 2) array
        What axis x, y, z reads with its positive end up, and with its negative end up.

    Notes
    -----
    The faces average to the offset and span twice the sensitivity; errors between the axes do not show.

    Examples
    --------
    >>> [value.tolist() for value in six_faces(np.array([[16500, -16100], [16300, -16500], [16900, -15700]]))]
    [[200.0, -100.0, 600.0], [16300.0, 16400.0, 16300.0]]
    """
    up, down = np.asarray(readings, dtype=np.float64).T
    return np.asarray((up + down) / 2), np.asarray((up - down) / 2)
