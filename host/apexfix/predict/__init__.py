"""Before the launch: how high, how far, how sure."""

from apexfix.predict.batch import Ascents, ascents
from apexfix.predict.limits import Warned, refuse_impossible, warnings
from apexfix.predict.outlook import Ejection, FillSweep, Forecast, Outcome, figures, fill_sweep, forecast, outcomes
from apexfix.predict.quantity import Quantity
from apexfix.predict.reference import Trajectory, trajectory
from apexfix.predict.rocket import Bottle, Burnout, Motor, Rocket, nominal
from apexfix.predict.rocket_file import RocketFile, read_rocket

__all__ = [
    "Ascents",
    "Bottle",
    "Burnout",
    "Ejection",
    "FillSweep",
    "Forecast",
    "Motor",
    "Outcome",
    "Quantity",
    "Rocket",
    "RocketFile",
    "Trajectory",
    "Warned",
    "ascents",
    "figures",
    "fill_sweep",
    "forecast",
    "nominal",
    "outcomes",
    "read_rocket",
    "refuse_impossible",
    "trajectory",
    "warnings",
]
