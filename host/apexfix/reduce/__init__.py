"""From sightings to positions with their uncertainty."""

from apexfix.reduce.adjust import DayAdjustment, adjust_day
from apexfix.reduce.arc import TrackPriors
from apexfix.reduce.closure import Closure, ClosureRule, SportingVerdict, closure_percent, sporting_verdict
from apexfix.reduce.day import reduce_day
from apexfix.reduce.elevations import MethodResult
from apexfix.reduce.least_squares import Fixes, HorizontalPrior, curvature_per_m, fix_many
from apexfix.reduce.methods import side_by_side
from apexfix.reduce.observe import Defaults, Observations, observe
from apexfix.reduce.options import Options
from apexfix.reduce.track import TrackFix, fit_track
from apexfix.reduce.trouble import Trouble, explain

__all__ = [
    "Closure",
    "ClosureRule",
    "DayAdjustment",
    "Defaults",
    "Fixes",
    "HorizontalPrior",
    "MethodResult",
    "Observations",
    "Options",
    "SportingVerdict",
    "TrackFix",
    "TrackPriors",
    "Trouble",
    "adjust_day",
    "closure_percent",
    "curvature_per_m",
    "explain",
    "fit_track",
    "fix_many",
    "observe",
    "reduce_day",
    "side_by_side",
    "sporting_verdict",
]
