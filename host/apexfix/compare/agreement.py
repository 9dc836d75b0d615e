"""How well two methods agree that measured the same flights: statistics of their pairs, and a test against what each states.

Differences are the first method less the second. Every interval is a 95 % one. The sources stand with the functions.
"""

from dataclasses import dataclass
from math import atanh, sqrt, tanh
from typing import Final

import numpy as np
from scipy import stats

from apexfix.errors import ReductionError
from apexfix.model import Vector

Ends = tuple[float, float]
_TAIL: Final = 0.025
Z95: Final = float(stats.norm.ppf(1 - _TAIL))
LEAST_FOR_LIMITS: Final = 3  # two differences have a spread, but limits from it say nothing
LEAST_FOR_A_LINE: Final = 4  # the jackknife leaves one out, and a line needs three to have a residual


@dataclass(frozen=True, slots=True)
class Bias:
    """The mean difference."""

    mean: float
    sd: float  # of the differences, with n - 1
    interval95: Ends


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of agreement: where 95 % of differences lie, and how well each limit is known."""

    low: float
    high: float
    low_interval95: Ends
    high_interval95: Ends


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through pairs that both have errors. Intervals are None where there are too few pairs."""

    slope: float
    intercept: float
    error_ratio: float  # variance of the errors of y over that of x
    slope_interval95: Ends | None
    intercept_interval95: Ends | None


@dataclass(frozen=True, slots=True)
class Consistency:
    """Differences against the covariance that was stated for them."""

    chi2: float
    freedom: int
    probability: float  # of a larger chi2, if what was stated is right
    shift: float  # the common difference by generalised least squares
    sigma_shift: float
    shift_probability: float  # of a shift further from zero
    scatter_probability: float  # of a larger spread about the common difference; 1 for a single pair


def bias_of(difference: Vector) -> Bias:
    """Return the mean difference with Student's interval; ReductionError with fewer than two differences."""
    count = _at_least(2, difference)
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    half = float(stats.t.ppf(1 - _TAIL, count - 1)) * sd / sqrt(count)
    return Bias(mean, sd, (mean - half, mean + half))


def limits_of(difference: Vector) -> Limits:
    """Return the limits of agreement, mean -+ 1.96 sd, with an exact interval for each; ReductionError with fewer than three.

    Notes
    -----
    Limits: Bland & Altman, *Lancet* 1986;i:307-310. Their own intervals, from the standard error sqrt(3 / n) sd, hold for many
    pairs only. A limit is a quantile of a normal law, which a non-central t tells exactly for any number of pairs (Carkeet,
    *Optometry and Vision Science* 92, 2015, e71-e80, each limit by itself).
    """
    count = _at_least(LEAST_FOR_LIMITS, difference)
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    inner, outer = (float(stats.nct.ppf(tail, count - 1, Z95 * sqrt(count))) / sqrt(count) for tail in (_TAIL, 1 - _TAIL))
    return Limits(
        low=mean - Z95 * sd,
        high=mean + Z95 * sd,
        low_interval95=(mean - outer * sd, mean - inner * sd),
        high_interval95=(mean + inner * sd, mean + outer * sd),
    )


def concordance_of(x: Vector, y: Vector) -> tuple[float, Ends | None]:
    """Return the concordance correlation coefficient and its interval, None where there are fewer than four pairs.

    ReductionError with fewer than three pairs, or where neither method has any spread.

    Notes
    -----
    Lin, *Biometrics* 45, 1989, 255-268, moments divided by n; the interval through the inverse hyperbolic tangent with the variance
    as corrected in *Biometrics* 56, 2000, 324-325 (from memory; bench/compare_coverage.py shows how often it holds).
    """
    count = _at_least(3, x)
    covariance = float(np.mean((x - x.mean()) * (y - y.mean())))
    spread = float(x.var() + y.var() + (x.mean() - y.mean()) ** 2)
    if not spread > 0 or not x.var() * y.var() > 0:
        raise ReductionError("all heights are the same; a concordance needs flights of different heights")
    rho = 2 * covariance / spread
    r = covariance / sqrt(float(x.var() * y.var()))
    if count < LEAST_FOR_A_LINE or not 0 < abs(rho) < 1 or r == 0:
        return rho, None
    shift2 = float((x.mean() - y.mean()) ** 2) / sqrt(float(x.var() * y.var()))
    rest = 1 - rho**2
    variance = (1 - r**2) * rho**2 / (rest * r**2)
    variance += 2 * rho**3 * (1 - rho) * shift2 / (r * rest**2) - rho**4 * shift2**2 / (2 * r**2 * rest**2)
    half = Z95 * sqrt(max(variance, 0.0) / (count - 2))
    return rho, (tanh(atanh(rho) - half), tanh(atanh(rho) + half))


def deming(x: Vector, y: Vector, error_ratio: float) -> Line:
    """Return the line y = intercept + slope x for pairs that both have errors; ReductionError where they determine none.

    Parameters
    ----------
    error_ratio
        Variance of the errors of **y** over the variance of the errors of **x**. References differ in which way round it is. 1 is
        the line of least perpendicular distances.

    Notes
    -----
    Intervals by the jackknife with n - 2 degrees of freedom: Linnet, *Clinical Chemistry* 39, 1993, 424-432.
    """
    count = _at_least(3, x)
    line = _line(x, y, error_ratio)
    if count < LEAST_FOR_A_LINE:
        return Line(*line, error_ratio, None, None)
    without = np.array([_line(np.delete(x, i), np.delete(y, i), error_ratio) for i in range(count)])
    pseudo = count * np.array(line) - (count - 1) * without
    half = stats.t.ppf(1 - _TAIL, count - 2) * pseudo.std(axis=0, ddof=1) / sqrt(count)
    low, high = pseudo.mean(axis=0) - half, pseudo.mean(axis=0) + half
    return Line(*line, error_ratio, (float(low[0]), float(high[0])), (float(low[1]), float(high[1])))


def _line(x: Vector, y: Vector, error_ratio: float) -> tuple[float, float]:
    xx, yy, xy = float(x.var()), float(y.var()), float(np.mean((x - x.mean()) * (y - y.mean())))
    if xy == 0:
        raise ReductionError("the heights of the two methods do not vary together; a line needs flights of different heights")
    excess = yy - error_ratio * xx
    slope = (excess + sqrt(excess**2 + 4 * error_ratio * xy**2)) / (2 * xy)
    return slope, float(y.mean() - slope * x.mean())


def percent_of_mean(first: Vector, second: Vector) -> Vector:
    """Return the differences in per cent of the mean of the two heights of each pair (not of either method)."""
    return np.asarray(100 * (first - second) / ((first + second) / 2))


def normalised_error(difference: Vector, sigma_first: Vector, sigma_second: Vector) -> Vector:
    """Return E_n of each pair: the difference over the expanded uncertainties (k = 2) in quadrature; within -1 to 1 is agreement.

    Notes
    -----
    ISO 13528:2015, clause 9.7, and ISO/IEC 17043.
    """
    return np.asarray(difference / (2 * np.hypot(sigma_first, sigma_second)))


def covariance_of(own: Vector, *common: Vector) -> Vector:
    """Return the (N, N) covariance of N differences.

    Parameters
    ----------
    own : (N,) sigma of what is drawn anew for each flight
    common : (N,) sigmas of a cause that moves all flights the same way, in the proportion of the figures
    """
    return np.diag(own**2) + sum((np.outer(each, each) for each in common), start=np.zeros((own.size, own.size)))


def consistency(difference: Vector, covariance: Vector) -> Consistency:
    """Return whether differences fit the covariance stated for them, and what of it is a shift and what scatter.

    Notes
    -----
    With normal errors d' C^-1 d is chi-square with N degrees of freedom; it parts into the square of the generalised mean over its
    variance (1 degree) and the rest (N - 1).
    """
    count = difference.size
    weight = np.linalg.inv(covariance)
    chi2 = float(difference @ weight @ difference)
    variance = 1 / float(weight.sum())
    shift = variance * float(weight.sum(axis=0) @ difference)
    of_shift = shift**2 / variance
    return Consistency(
        chi2=chi2,
        freedom=count,
        probability=float(stats.chi2.sf(chi2, count)),
        shift=shift,
        sigma_shift=sqrt(variance),
        shift_probability=float(stats.chi2.sf(of_shift, 1)),
        scatter_probability=float(stats.chi2.sf(chi2 - of_shift, count - 1)) if count > 1 else 1.0,
    )


def detectable(sigma_shift: float) -> float:
    """Return the common difference that a two-sided 5 % test would notice four times in five."""
    return (Z95 + float(stats.norm.ppf(0.8))) * sigma_shift


def _at_least(least: int, values: Vector) -> int:
    if values.size < least:
        raise ReductionError(f"{values.size} pairs seen, {least} or more expected; fly more often with the altimeter")
    return values.size
