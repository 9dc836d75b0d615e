"""What a reading says about a position: whitened residuals and their Jacobian, for many flights at once.

The two residuals of a reading
------------------------------
In the vertical frame of the azimuth reading the model lies *f* metres ahead, *g* metres to the right and *u* metres up, with
level distance rho^2 = f^2 + g^2 and range r^2 = rho^2 + u^2:

    across   g / sqrt(rho^2 + (z r)^2)                 / sigma of the azimuth reading
    along    (elevation reading) - atan2(u, q)         / sigma of the elevation reading,    q = f sqrt(1 + g^2 / (f^2 + (z r)^2))

*z* (radians) is how near to the zenith the azimuth loses its meaning: the sigma of the elevation. Away from the zenith the first is
the sine of the misclosure in azimuth and the second is the misclosure in elevation, so that the weights are those of the *readings*
and nothing depends on the model's elevation. That is the maximum-likelihood cost for the stated noise. The tempting alternative,
the angle across the line of sight cos(E) dA over sigma_A cos(E read), can lower its cost by climbing towards the zenith: with three
stations at L / h = 0.25 and a sigma of one degree it was measured to bias the height by 0.095 sigma, where this one has 0.052.

At the zenith both residuals stay smooth, and bounded where the azimuth itself jumps by 180 degrees: *f* changes sign there and the
elevation runs on beyond 90 degrees, which is how an observer who follows the model overhead reads it. Sines and cosines of the
reading do the wrapping, exactly.

A reading without an azimuth knows only the cone: q = rho, and an elevation beyond 90 degrees means its supplement.
"""

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from apexfix.model import Vector

Mask = NDArray[np.bool_]

# A metre is never divided by less than this, so that an iterate on top of a station gives a large number and no warning.
_TINY_M = 1e-9


@dataclass(frozen=True, slots=True)
class Sightlines:
    """Readings of F flights from N stations, safe to compute with: nothing is NaN, a missing reading has the weight 0.

    The arrays are stored station by station (Fortran order): sums over three stations then run along the flights, several times
    as fast.
    """

    east_m: Vector  # (F, N) of the station; north and up alike
    north_m: Vector
    up_m: Vector
    sine: Vector  # (F, N) of the azimuth; cosine alike
    cosine: Vector
    elevation_rad: Vector  # (F, N) folded to at most pi/2 where there is no azimuth
    azimuth_weight: Vector  # (F, N) 1 / sigma, 0 where missing
    elevation_weight: Vector  # (F, N)
    zenith_rad: Vector  # (F, N) the z of the module's text
    folded: Mask  # (F, N) the elevation was folded
    curvature_per_m: float

    def take(self, flights: NDArray[np.intp]) -> "Sightlines":
        """Return the readings of some of the flights."""
        taken = {f.name: np.take(getattr(self, f.name).T, flights, axis=1).T for f in fields(self) if f.name != "curvature_per_m"}
        return Sightlines(**taken, curvature_per_m=self.curvature_per_m)

    @property
    def has_azimuth(self) -> Mask:
        """(F, N)"""
        return self.azimuth_weight > 0

    @property
    def has_elevation(self) -> Mask:
        """(F, N)"""
        return self.elevation_weight > 0


class Linearised(NamedTuple):
    """Whitened misclosures (reading less prediction) and the derivatives of the predictions, at one position per flight."""

    across: Vector  # (F, N)
    along: Vector  # (F, N)
    across_gradient: tuple[Vector, Vector, Vector]  # per metre east, north, up; each (F, N)
    along_gradient: tuple[Vector, Vector, Vector]


class Frame(NamedTuple):
    """A position seen from the stations, in the frame of each azimuth reading; metres, each (F, N)."""

    east: Vector
    north: Vector
    ahead: Vector
    right: Vector
    level2: Vector  # squared level distance, m2
    up: Vector  # less curvature and refraction


def frame(position_m: Vector, lines: Sightlines) -> Frame:
    """Return (3, F) positions as seen from every station."""
    east, north = position_m[0][:, None] - lines.east_m, position_m[1][:, None] - lines.north_m
    level2 = east * east + north * north
    up = position_m[2][:, None] - lines.up_m - lines.curvature_per_m * level2
    ahead = east * lines.sine + north * lines.cosine
    right = east * lines.cosine - north * lines.sine
    return Frame(east, north, ahead, right, level2, up)


def linearise(position_m: Vector, lines: Sightlines) -> Linearised:
    """Return residuals and Jacobian at (3, F) positions."""
    east, north, ahead, right, level2, up = frame(position_m, lines)
    drop = -2 * lines.curvature_per_m  # d(up)/d(east) is drop * east
    z2 = lines.zenith_rad**2
    up2 = up * up
    # r dr per metre east, north and up is (east, north, 0) + up d(up)
    lean = 1 + up * drop

    blur2 = z2 * (level2 + up2) + _TINY_M**2
    n2 = level2 + blur2
    n = np.sqrt(n2)
    wa = lines.azimuth_weight / n
    ratio = right / n2
    pull = ratio * (1 + z2 * lean)
    across_gradient = (
        wa * (lines.cosine - pull * east),
        wa * (-lines.sine - pull * north),
        -wa * ratio * z2 * up,
    )

    p = ahead * ahead + blur2
    s = np.sqrt(1 + right * right / p)
    level = np.sqrt(level2) + _TINY_M
    seen = lines.azimuth_weight > 0
    q = np.where(seen, ahead * s, level)
    # dq = to_ahead d(ahead) + to_right d(right) + to_range (r dr)
    to_right = ahead * right / (s * p)
    shrink = to_right * right / p
    to_ahead = s - shrink * ahead
    to_range = -shrink * z2
    q_east = np.where(seen, to_ahead * lines.sine + to_right * lines.cosine + to_range * lean * east, east / level)
    q_north = np.where(seen, to_ahead * lines.cosine - to_right * lines.sine + to_range * lean * north, north / level)
    q_up = np.where(seen, to_range * up, 0.0)
    we = lines.elevation_weight / (q * q + up2 + _TINY_M**2)
    along_gradient = (
        we * (q * drop * east - up * q_east),
        we * (q * drop * north - up * q_north),
        we * (q - up * q_up),
    )
    along = lines.elevation_rad - np.arctan2(up, q)
    along -= 2 * np.pi * np.rint(along / (2 * np.pi))
    return Linearised(-wa * right, lines.elevation_weight * along, across_gradient, along_gradient)


def misclosure(position_m: Vector, lines: Sightlines) -> Vector:
    """Return the readings less the prediction at (3, F) positions: (F, N, 2), azimuth and elevation, radians, NaN where missing.

    Both are on the side of the zenith on which the azimuth was read; an azimuth is off by at most 90 degrees, or the elevation
    takes the rest.
    """
    seen = frame(position_m, lines)
    side = np.where(lines.has_azimuth & (seen.ahead < 0), -1.0, 1.0)
    azimuth = -np.arctan2(side * seen.right, side * seen.ahead)
    elevation = lines.elevation_rad - np.arctan2(seen.up, side * np.sqrt(seen.level2))
    elevation -= 2 * np.pi * np.rint(elevation / (2 * np.pi))
    elevation = np.where(lines.folded, -elevation, elevation)
    return np.stack(
        [np.where(lines.has_azimuth, azimuth, np.nan), np.where(lines.has_elevation, elevation, np.nan)], axis=-1
    )
