"""How far stations disagree, by the rules of sporting practice."""

from dataclasses import dataclass
from enum import StrEnum
from math import floor

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import Vector


class ClosureRule(StrEnum):
    """Which disagreement is held against the limit. Codes say "within ten per cent" and leave it open of what."""

    MEAN = "mean"  # the difference between the highest and the lowest height, against their mean
    EACH = "each"  # the largest departure of a height from the mean, against the mean
    GAP = "gap"  # how far the lines of sight pass one another, against the altitude


@dataclass(frozen=True, slots=True)
class Closure:
    """What the stations disagree about."""

    altitude_m: float  # the method's answer
    heights_m: Vector  # (N,) above the pad, one per station or per station and pair
    gap_m: float | None  # between the lines of sight, None where the method has no such thing


def closure_percent(closure: Closure, rule: ClosureRule = ClosureRule.MEAN) -> float:
    """Return the disagreement in per cent: of the mean of the heights, or of the altitude for the gap.

    Raises
    ------
    ReductionError
        The rule asks for what the method does not give, or the height is not above the pad.

    Examples
    --------
    >>> round(closure_percent(Closure(315.278, np.array([323.1443, 307.4116]), None)), 3)
    4.99
    """
    heights = closure.heights_m
    mean = float(heights.mean())
    if min(mean, closure.altitude_m) <= 0:
        raise ReductionError(f"a height of {min(mean, closure.altitude_m):.1f} m; a closure needs one above the pad")
    match rule:
        case ClosureRule.MEAN:
            return float(np.ptp(heights)) / mean * 100
        case ClosureRule.EACH:
            return float(np.abs(heights - mean).max()) / mean * 100
        case ClosureRule.GAP:
            if closure.gap_m is None:
                raise ReductionError("this method has no gap between lines of sight; choose another method or the rule 'mean'")
            return closure.gap_m / closure.altitude_m * 100


@dataclass(frozen=True, slots=True)
class SportingVerdict:
    """What a contest would write down."""

    closes: bool
    height_m: int  # rounded to a whole metre, halves up
    closure_percent: float
    rule: ClosureRule


def sporting_verdict(
    closure: Closure, *, rule: ClosureRule = ClosureRule.MEAN, limit_percent: float = 10.0
) -> SportingVerdict:
    """Return whether a height closes. Ten per cent and whole metres are common practice of sporting codes, from memory."""
    percent = closure_percent(closure, rule)
    return SportingVerdict(percent <= limit_percent, floor(closure.altitude_m + 0.5), percent, rule)
