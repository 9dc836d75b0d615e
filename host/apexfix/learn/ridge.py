"""Can drag and speed be told apart? The two of them in sigmas of what was known before."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import eigh

from apexfix.learn.posterior import Posterior
from apexfix.learn.problem import DRAG, drive
from apexfix.model import Vector

# A direction that keeps more than this share of its sigma has learnt next to nothing; half its sigma gone is a figure to work with.
KEPT: Final = 0.9
PARTED: Final = 0.5


@dataclass(frozen=True, slots=True)
class Ridge:
    """Drag coefficient (first) and burnout speed, pressure or impulse (second) after the flights."""

    names: tuple[str, str]
    kept: tuple[float, float]  # share of each sigma that is left
    correlation: float  # of the two afterwards
    learnt: tuple[float, float]  # weights of the scores in the combination that is known best now
    learnt_kept: float  # share of this combination's sigma that is left
    unlearnt_kept: float  # the same of the combination known least
    along_percent: tuple[float, float]  # changes of the two, one sigma along the ridge, that the flights hardly tell from none
    data: int  # heights and times


def ridge(found: Posterior) -> Ridge:
    """Return how far the flights tell drag and speed apart."""
    asked = found.problem
    names = (DRAG, drive(asked.rocket))
    rows = [asked.shared.index(name) for name in names]
    after = found.covariance[np.ix_(rows, rows)]
    before = (asked.factor @ asked.factor.T)[np.ix_(rows, rows)]
    # combinations of the scores, by how much of their variance is left
    left, combination = eigh(after, before)
    along = after @ combination[:, 1] / np.sqrt(left[1])
    sigmas = np.sqrt(np.diag(after))
    shares = [asked.rocket.quantities[name].sigma / asked.rocket.quantities[name].value for name in names]
    best = combination[:, 0] / np.linalg.norm(combination[:, 0])
    return Ridge(
        names,
        _pair(sigmas / np.sqrt(np.diag(before))),
        float(after[0, 1] / (sigmas[0] * sigmas[1])),
        _pair(best * np.sign(best[1])),
        float(np.sqrt(left[0])),
        float(np.sqrt(left[1])),
        _pair(100 * along * np.array(shares) * np.sign(along[0])),
        int(np.sum(~np.isnan(asked.seen))),
    )


def _pair(values: Vector) -> tuple[float, float]:
    return float(values[0]), float(values[1])
