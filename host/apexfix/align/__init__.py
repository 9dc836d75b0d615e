"""Marks of all stations to flights: time is the main evidence, the unit's flight number the second."""

from apexfix.align.mark import Alignment, Mark, Match, Placed
from apexfix.align.whole import align

__all__ = ["Alignment", "Mark", "Match", "Placed", "align"]
