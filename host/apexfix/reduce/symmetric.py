"""Symmetric 3 x 3 systems, many at once: closed forms that cost a few array operations where a general solver costs a call each."""

import numpy as np

from apexfix.model import Vector

Six = tuple[Vector, Vector, Vector, Vector, Vector, Vector]  # xx, yy, zz, xy, xz, yz; each (F,)

# Below this determinant of the scaled matrix (unit diagonal) rounding in double precision leaves no digit of its inverse.
SINGULAR = 1e-13
# An unknown with less information than this, per squared metre, has a sigma of ten million kilometres: it has none.
_NOTHING = 1e-20


def scaled_inverse(matrix: Six, damping: Vector | float = 0.0) -> tuple[Six, Vector]:
    """Return the inverse of a matrix whose diagonal is stretched by 1 + damping, and the determinant scaled to a unit diagonal.

    Scaling makes the determinant free of units: 1 for uncorrelated unknowns, 0 for a singular matrix. Where it is below
    ``SINGULAR`` (or the damping is too small to lift it above) the inverse is zeros.
    """
    known = [d > _NOTHING for d in matrix[:3]]
    over_x, over_y, over_z = (1 / np.sqrt(np.where(ok, d, 1.0)) for ok, d in zip(known, matrix[:3], strict=True))
    xx, yy, zz = (ok + damping for ok in known)
    over_xy, over_xz, over_yz = over_x * over_y, over_x * over_z, over_y * over_z
    xy, xz, yz = matrix[3] * over_xy, matrix[4] * over_xz, matrix[5] * over_yz
    cxx, cxy, cxz = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
    determinant = xx * cxx + xy * cxy + xz * cxz
    good = determinant > SINGULAR
    over = np.where(good, 1 / np.where(good, determinant, 1.0), 0.0)
    inverse = (
        cxx * over * over_x * over_x,
        (xx * zz - xz * xz) * over * over_y * over_y,
        (xx * yy - xy * xy) * over * over_z * over_z,
        cxy * over * over_xy,
        cxz * over * over_xz,
        (xy * xz - xx * yz) * over * over_yz,
    )
    return inverse, determinant


def times(matrix: Six, vector: tuple[Vector, Vector, Vector]) -> Vector:
    """Return matrix times vector as (3, F)."""
    xx, yy, zz, xy, xz, yz = matrix
    x, y, z = vector
    return np.stack([xx * x + xy * y + xz * z, xy * x + yy * y + yz * z, xz * x + yz * y + zz * z])


def full(matrix: Six) -> Vector:
    """Return (F, 3, 3)."""
    xx, yy, zz, xy, xz, yz = matrix
    return np.stack([xx, xy, xz, xy, yy, yz, xz, yz, zz], axis=-1).reshape(-1, 3, 3)
