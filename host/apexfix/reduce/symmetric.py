"""Symmetric 3 x 3 systems, many at once: closed forms that cost a few array operations where a general solver costs a call each."""

import numpy as np

from apexfix.model import Vector

Six = tuple[Vector, Vector, Vector, Vector, Vector, Vector]  # xx, yy, zz, xy, xz, yz; each (F,)

# Below this determinant of the scaled matrix (unit diagonal) rounding in double precision leaves no digit of its inverse.
SINGULAR = 1e-13


def scaled_inverse(matrix: Six, damping: Vector | float = 0.0) -> tuple[Six, Vector]:
    """Return the inverse of a matrix whose diagonal is stretched by 1 + damping, and the determinant scaled to a unit diagonal.

    Scaling makes the determinant free of units: 1 for uncorrelated unknowns, 0 for a singular matrix. Where it is below
    ``SINGULAR`` (or the damping is too small to lift it above) the inverse is zeros.
    """
    scale = [np.sqrt(np.where(d > 0, d, 1.0)) for d in matrix[:3]]
    diagonal = [np.where(d > 0, 1.0, 0.0) + damping for d in matrix[:3]]
    xx, yy, zz = diagonal
    xy = matrix[3] / (scale[0] * scale[1])
    xz = matrix[4] / (scale[0] * scale[2])
    yz = matrix[5] / (scale[1] * scale[2])
    cxx, cxy, cxz = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
    determinant = xx * cxx + xy * cxy + xz * cxz
    good = determinant > SINGULAR
    over = np.where(good, 1 / np.where(good, determinant, 1.0), 0.0)
    inverse = (
        cxx * over / scale[0] ** 2,
        (xx * zz - xz * xz) * over / scale[1] ** 2,
        (xx * yy - xy * xy) * over / scale[2] ** 2,
        cxy * over / (scale[0] * scale[1]),
        cxz * over / (scale[0] * scale[2]),
        (xy * xz - xx * yz) * over / (scale[1] * scale[2]),
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
