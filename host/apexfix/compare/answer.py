"""The comparison of a day: pairs, statistics and what they say."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np

from apexfix.compare.agreement import (
    LEAST_FOR_LIMITS,
    Bias,
    Consistency,
    Ends,
    Limits,
    Line,
    bias_of,
    concordance_of,
    consistency,
    covariance_of,
    deming,
    limits_of,
    normalised_error,
    percent_of_mean,
)
from apexfix.compare.altimeter import ControlFlight, in_quadrature
from apexfix.compare.pairing import Pairing
from apexfix.errors import ReductionError
from apexfix.model import DayResult, FlightResult, Vector, Verdict

_UNUSABLE: Final = (Verdict.REJECTED, Verdict.UNSOLVED)
# What the reduction names these is the same for all flights of a day.
_COMMON_ON_THE_GROUND: Final = ("unit zero", "survey", "unit zero and survey")
_LEAST_M2: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Compared:
    """One flight that both measured. Differences are the ground's height less the altimeter's."""

    flight: int
    verdict: Verdict  # of the height from the ground
    ground_m: float
    sigma_ground_m: float
    ground_common_m: float  # the part of it that is the same for all flights of the day
    control: ControlFlight
    control_m: float
    sigma_control_m: float
    difference_m: float
    percent_of_mean: float
    normalised_error: float
    pairing: str  # why these two


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that `apexfix compare` answers. Statistics are None where there are too few pairs for them."""

    site: str
    compared: tuple[Compared, ...]
    left_out: tuple[tuple[str, str], ...]  # a flight of the control file, why it is not compared
    alone: tuple[int, ...]  # flights of the day that the control file does not know
    clock_offset_s: float | None
    bias: Bias | None
    limits: Limits | None
    concordance: tuple[float, Ends | None] | None
    line: Line | None  # the ground's height (y) over the altimeter's (x)
    fit: Consistency | None
    remarks: tuple[str, ...]


def comparison(day: DayResult, controls: Sequence[ControlFlight], pairing: Pairing, remarks: Sequence[str]) -> Comparison:
    """Return how the heights of a day and those of the altimeter compare."""
    results = {result.flight: result for result in day.flights}
    left_out = [(controls[n].name, reason) for n, reason in pairing.unpaired_controls]
    compared = []
    for n, flight, reason in pairing.pairs:
        if trouble := _trouble(results[flight], controls[n]):
            left_out.append((f"{controls[n].name}, which is flight {flight}", trouble))
        else:
            compared.append(_compared(results[flight], controls[n], reason))
    ground, control = (np.array([getattr(row, name) for row in compared]) for name in ("ground_m", "control_m"))
    count = len(compared)
    return Comparison(
        site=day.site.name,
        compared=tuple(compared),
        left_out=tuple(left_out),
        alone=pairing.alone,
        clock_offset_s=pairing.clock_offset_s,
        bias=bias_of(ground - control) if count >= 2 else None,
        limits=limits_of(ground - control) if count >= LEAST_FOR_LIMITS else None,
        concordance=_concordance(control, ground),
        line=_line(control, ground, compared),
        fit=consistency(ground - control, stated_covariance(compared)) if count else None,
        remarks=tuple(remarks),
    )


def _trouble(result: FlightResult, control: ControlFlight) -> str:
    """Return why a pair cannot be compared, "" where it can."""
    if result.verdict in _UNUSABLE or result.position_m is None:
        return f"the height from the ground is {result.verdict}"
    return control.trouble


def _compared(result: FlightResult, control: ControlFlight, reason: str) -> Compared:
    assert result.position_m is not None
    assert result.covariance_m2 is not None
    assert control.height_m is not None
    ground, sigma = float(result.position_m[2]), sqrt(float(result.covariance_m2[2, 2]))
    sigma_control = in_quadrature(control.own_m, control.common_m)
    pair = (np.array([ground]), np.array([control.height_m]))
    return Compared(
        flight=result.flight,
        verdict=result.verdict,
        ground_m=ground,
        sigma_ground_m=sigma,
        ground_common_m=_common_on_the_ground(result.budget_m, sigma),
        control=control,
        control_m=control.height_m,
        sigma_control_m=sigma_control,
        difference_m=ground - control.height_m,
        percent_of_mean=float(percent_of_mean(*pair)[0]),
        normalised_error=float(normalised_error(pair[0] - pair[1], np.array([sigma]), np.array([sigma_control]))[0]),
        pairing=reason,
    )


def _common_on_the_ground(budget: Mapping[str, float], sigma: float) -> float:
    common = sum(budget.get(name, 0.0) ** 2 for name in _COMMON_ON_THE_GROUND)
    return min(sqrt(common), sigma)


def stated_covariance(compared: Sequence[Compared]) -> Vector:
    """Return the (N, N) covariance that was stated for the differences: own parts, and common ones that move all flights alike.

    A zero of a unit moves flights of different height and place not quite alike; that it does is an approximation.
    """
    common = np.array([row.ground_common_m for row in compared])
    ground_m2, control_m2 = _own_variances(compared)
    sources = dict.fromkeys(name for row in compared for name in row.control.common_m)
    shared = [np.array([row.control.common_m.get(name, 0.0) for row in compared]) for name in sources]
    return covariance_of(np.sqrt(ground_m2 + control_m2), common, *shared)


def _own_variances(compared: Sequence[Compared]) -> tuple[Vector, Vector]:
    """Return what is drawn anew for each flight, (N,) on the ground and (N,) of the altimeter."""
    ground = np.array([row.sigma_ground_m**2 - row.ground_common_m**2 for row in compared])
    control = np.array([in_quadrature(row.control.own_m) ** 2 for row in compared])
    # a sigma that is common entirely would leave nothing to divide by: a millimetre is beyond any reading
    return np.maximum(ground, _LEAST_M2), np.maximum(control, _LEAST_M2)


def _concordance(control: Vector, ground: Vector) -> tuple[float, Ends | None] | None:
    try:
        return concordance_of(control, ground)
    except ReductionError:  # fewer than three flights, or all of one height
        return None


def _line(control: Vector, ground: Vector, compared: Sequence[Compared]) -> Line | None:
    if len(compared) < LEAST_FOR_LIMITS:
        return None
    # what moves all flights alike moves the line and does not scatter them about it
    ground_m2, control_m2 = _own_variances(compared)
    try:
        return deming(control, ground, float(ground_m2.mean() / control_m2.mean()))
    except ReductionError:  # all of one height
        return None
