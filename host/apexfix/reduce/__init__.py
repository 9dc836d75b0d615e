"""From sightings to positions with their uncertainty."""

from apexfix.reduce.least_squares import Fixes, HorizontalPrior, Trouble, curvature_per_m, fix_many
from apexfix.reduce.observe import Defaults, Observations, observe

__all__ = ["Defaults", "Fixes", "HorizontalPrior", "Observations", "Trouble", "curvature_per_m", "fix_many", "observe"]
