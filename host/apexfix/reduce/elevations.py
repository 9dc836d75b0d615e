"""From elevations alone to a height: what one station assumes, what several can solve, and what a prior adds.

Stations are (N, 3) east, north, up of the sighting axes from the pad; heights are above the pad. Every method raises
ReductionError where it does not apply, and says why.
"""

from dataclasses import dataclass

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.reduce.closure import Closure
from apexfix.reduce.least_squares import Fixes, HorizontalPrior, fix_many
from apexfix.reduce.trouble import Trouble, explain
from apexfix.units import DEG

# A line of sight steeper than this means that the model was over the station, where L tan E says nothing.
STEEPEST_RAD = 89.5 * DEG


@dataclass(frozen=True, slots=True)
class MethodResult:
    """What one method makes of one flight."""

    name: str
    height_m: float  # above the pad
    level_m: Vector  # (2,) east and north; NaN where the method does not ask
    closure: Closure | None  # the disagreement between the stations, None where the method has none
    assumes: str  # what must be true for the height to be right, in words


UNKNOWN = np.full(2, np.nan)


@dataclass(frozen=True, slots=True)
class SingleStation:
    """The height from one elevation, and what the silent assumption of no drift does to it."""

    height_m: float
    per_metre_of_drift: float  # metres of height for each metre that the apex drifts towards or from the station
    per_degree_m: float  # metres of height for each degree of elevation


def single_station(station_m: Vector, elevation_rad: float) -> SingleStation:
    """Return the height of an apex that stands exactly over the pad: h = up + L tan E.

    Notes
    -----
    An apex that drifted d metres away from the station is d tan E higher than the formula says; one that came nearer is lower.

    Examples
    --------
    >>> round(single_station(np.array([100.0, 0.0, 0.0]), 45 * DEG).height_m, 6)
    100.0
    """
    east, north, up = (float(x) for x in station_m)
    baseline = float(np.hypot(east, north))
    steep = min(elevation_rad, np.pi - elevation_rad)
    if baseline <= 0:
        raise ReductionError("the station stands at the pad; an elevation alone gives a height only from a distance")
    if not 0 < steep < STEEPEST_RAD:
        raise ReductionError(f"an elevation of {elevation_rad / DEG:.2f} degrees gives no height; it must lie between 0 and 89.5")
    tangent = float(np.tan(steep))
    return SingleStation(up + baseline * tangent, tangent, baseline * (1 + tangent**2) * DEG)


def mean_of_stations(station_m: Vector, elevation_rad: Vector) -> MethodResult:
    """Return the mean of the single-station heights of all stations.

    Notes
    -----
    Opposite stations cancel the drift along their line to first order; two at right angles do not:
    h_mean / h = 1 - (dx + dy) / 2L + (dx^2 + dy^2) / 4L^2 for a drift (dx, dy) away from them.
    """
    if len(elevation_rad) == 0:
        raise ReductionError("no station read an elevation; one is needed for a height")
    single = [single_station(s, float(e)) for s, e in zip(station_m, elevation_rad, strict=True)]
    heights = np.array([one.height_m for one in single])
    slope = max(one.per_metre_of_drift for one in single)
    mean = float(heights.mean())
    closure = Closure(mean, heights, None) if len(single) > 1 else None
    name = "mean of single stations" if len(single) > 1 else "single station"
    assumes = f"the apex is over the pad; each metre of drift is up to {slope / len(single):.2f} m of height"
    return MethodResult(name, mean, UNKNOWN, closure, assumes)


def equally_spaced_elevations(radius_m: float, bearing_rad: Vector, elevation_rad: Vector) -> Vector:
    """Return the apex (east, north, up above the stations) from three or more stations equally spaced on a circle round the pad.

    Parameters
    ----------
    bearing_rad : (N,) array
        Clockwise from north, from the pad to each station.

    Notes
    -----
    With k_i = cot^2 E_i, each cone says k_i h^2 = |p|^2 - 2 p . s_i + L^2. Over equally spaced stations the s_i average to zero and
    their products to L^2 / 2, so that p = h^2 C with C = -mean(k_i s_i) / L^2 and h^2 = 2 L^2 / (K + sqrt(K^2 - 4 L^2 C^2)),
    K = mean k_i. The other root is the inverse point of the circle.

    Examples
    --------
    >>> equally_spaced_elevations(100.0, np.arange(3) * 120 * DEG, np.full(3, 45 * DEG))[2].round(6).tolist()
    100.0
    """
    count = len(bearing_rad)
    turn = np.exp(1j * bearing_rad)
    if count < 3 or abs(turn.mean()) > 1e-6 or abs((turn**2).mean()) > 1e-6:
        raise ReductionError(f"{count} stations, not equally spaced round the pad; three or more at equal angles are expected")
    k = np.tan(np.pi / 2 - elevation_rad) ** 2
    c = -np.array([(k * np.sin(bearing_rad)).mean(), (k * np.cos(bearing_rad)).mean()]) / radius_m
    inside = k.mean() ** 2 - 4 * radius_m**2 * (c @ c)
    if inside < 0:
        raise ReductionError("the cones of these elevations do not meet; look for a gross error")
    height2 = 2 * radius_m**2 / (k.mean() + np.sqrt(inside))
    return np.array([*(height2 * c), np.sqrt(height2)])


def elevations_alone(station_m: Vector, elevation_rad: Vector, sigma_rad: Vector, prior: HorizontalPrior | None = None) -> Fixes:
    """Return what (F, N) elevations, NaN where missing, say without any azimuth."""
    return fix_many(np.full_like(elevation_rad, np.nan), elevation_rad, station_m, sigma_rad, sigma_rad, prior=prior)


def drift_solving_elevations(
    station_m: Vector, elevation_rad: Vector, sigma_rad: Vector, solved: Fixes | None = None
) -> MethodResult:
    """Return the apex from three or more elevations in any layout, by least squares; it generalises the equally spaced solution.

    ``solved`` is their solution of one row, where a day solved all its flights at once.
    """
    fixes = elevations_alone(station_m, elevation_rad[None], sigma_rad[None]) if solved is None else solved
    position = _position(fixes, elevation_rad, sigma_rad)
    assumes = "the apex is inside the circle through the stations"
    return MethodResult("elevations, drift solved", float(position[2]), position[:2], None, assumes)


def elevations_with_prior(station_m: Vector, elevation_rad: Vector, sigma_rad: Vector, prior: HorizontalPrior) -> MethodResult:
    """Return the apex from one or two elevations and what is believed about the drift."""
    fixes = elevations_alone(station_m, elevation_rad[None], sigma_rad[None], prior)
    position = _position(fixes, elevation_rad, sigma_rad)
    assumes = f"the drift is as expected; {100 * float(fixes.prior_share[0]):.0f} % of the height's variance comes from that"
    return MethodResult("elevations with expected drift", float(position[2]), position[:2], None, assumes)


def _position(fixes: Fixes, elevation_rad: Vector, sigma_rad: Vector) -> Vector:
    if not fixes.solved[0]:
        names = [str(i + 1) for i in range(len(elevation_rad))]
        missing = np.full(len(elevation_rad), np.nan)
        raise ReductionError(explain(Trouble(int(fixes.trouble[0])), names, missing, elevation_rad, sigma_rad))
    return np.asarray(fixes.position_m[0])
