"""From sightings to positions with their uncertainty."""

from apexfix.reduce.closure import Closure, ClosureRule, SportingVerdict, closure_percent, sporting_verdict
from apexfix.reduce.elevations import MethodResult
from apexfix.reduce.least_squares import Fixes, HorizontalPrior, curvature_per_m, fix_many
from apexfix.reduce.methods import side_by_side
from apexfix.reduce.observe import Defaults, Observations, observe
from apexfix.reduce.trouble import Trouble, explain

__all__ = [
    "Closure",
    "ClosureRule",
    "Defaults",
    "Fixes",
    "HorizontalPrior",
    "MethodResult",
    "Observations",
    "SportingVerdict",
    "Trouble",
    "closure_percent",
    "curvature_per_m",
    "explain",
    "fix_many",
    "observe",
    "side_by_side",
    "sporting_verdict",
]
