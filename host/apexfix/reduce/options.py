"""What a person may choose about the reduction, and the assumptions behind the figures."""

from dataclasses import dataclass, field
from math import pi, tan

from apexfix.reduce.closure import ClosureRule
from apexfix.reduce.lean import Lean
from apexfix.reduce.observe import Defaults


@dataclass(frozen=True, slots=True)
class Options:
    """Choices for a whole day. The defaults are the assumptions that docs/method.md defends."""

    defaults: Defaults = field(default_factory=Defaults)  # sigmas where neither the reading nor its station states one
    closure_rule: ClosureRule = ClosureRule.MEAN
    closure_limit_percent: float = 10.0  # common practice of sporting codes, from memory
    sigma_drift_m_s: float = 3.0  # per axis: how fast a model drifts at its apex, a light wind on a field
    # One sigma of apex drift over height per axis; 30 degrees off the vertical is two. Even a low flight may drift ten metres.
    drift: Lean = field(default_factory=lambda: Lean(slope=tan(pi / 6) / 2, floor_m=10.0))
    curvature: bool = False  # of the earth, with refraction; 7 cm at 1 km
    single_station: bool = False  # answer from one station, with the drift prior, instead of "unsolved"
    whole_day: bool = True  # adjust the units' zeros over all flights where the data allow it
