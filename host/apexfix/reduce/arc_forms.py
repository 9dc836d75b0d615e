"""Both forms of the arc, fitted to the flights of a batch, and how likely each is."""

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from scipy.special import expit

from apexfix.model import Stamps, Vector
from apexfix.reduce.arc import ARC, TrackPriors, highest, highest_gradient
from apexfix.reduce.arc_fit import Setting, covariance, down, prior_sigmas, rows, weights
from apexfix.reduce.robust import ALPHA_GLOBAL, global_test
from apexfix.reduce.sightline import Mask
from apexfix.units import STANDARD_GRAVITY

SOURCES: Final = ("pointing", "unit zero", "survey", "aiming habit", "timing", "shape of the arc")
_OPENINGS_S: Final = (-0.3, 0.5)  # after the apex of the whole arc: where the search for an opening begins


class Form(NamedTuple):
    """One form of the arc, fitted to the flights of a batch."""

    setting: Setting
    unknown: Vector  # (F, P)
    weight: Vector  # (F, S, L)
    converged: Mask  # (F,)
    apex: Vector  # (F, 4) east, north, up, time
    covariance: Vector  # (F, 4, 4) of these
    spread: Vector  # (F, P, P) of the unknowns
    height_m2: Vector  # (F, R) what each of the rows adds to the variance of the height
    chi2: Vector  # (F,)
    redundancy: Stamps  # (F,)
    evidence: Vector  # (F,) logarithm, up to what both forms share

    def of(self, flight: int) -> "Form":
        """Return the fit of one flight, a batch of its own."""
        one = np.array([flight])
        return Form(replace(self.setting, seen=self.setting.seen.of(one)), *(np.asarray(own)[one] for own in self[1:]))


class BothForms(NamedTuple):
    whole: Form
    opened: Form
    p_opened: Vector  # (F,) probability of the second form; 0 where it could not be fitted


def both_forms(first: Vector, setting: Setting) -> BothForms:
    """Return both forms of the arc and how likely the second is; each search for an opening begins at another instant."""
    few = replace(setting, seen=setting.seen.few())
    few_opened, opened_setting = replace(few, opened=True), replace(setting, opened=True)
    weight = weights(first, few)
    start, _ = down(first, weight, few)
    unknown, cost = _begun(start, setting.priors, 0.0), np.full(len(first), np.inf)
    for at in _OPENINGS_S:
        trial, rested = down(_begun(start, setting.priors, at), weight, few_opened)
        trial_cost = np.where(rested, rows(trial, weight, few_opened).cost, np.inf)
        unknown = np.where((trial_cost < cost)[:, None], trial, unknown)
        cost = np.minimum(cost, trial_cost)
    whole, opened = _form(start, setting), _form(unknown, opened_setting)
    share = setting.priors.opening_share
    odds = np.log(share / (1 - share)) + opened.evidence - whole.evidence
    p_opened = np.where(whole.converged, expit(odds), 1.0)
    return BothForms(whole, opened, np.where(opened.converged, p_opened, 0.0))


def _begun(unknown: Vector, priors: TrackPriors, opening_s: float) -> Vector:
    """Return first unknowns of arcs with an opening, at a time after the apex of whole ones."""
    first = unknown.copy()
    first[:, 3] += opening_s
    first[:, :2] += opening_s * unknown[:, 4:6]
    first[:, 2] -= STANDARD_GRAVITY * opening_s**2 / 2
    first[:, 6:10] = -STANDARD_GRAVITY * opening_s, 0.0, 0.0, -priors.canopy_m_s
    return first


def _form(first: Vector, setting: Setting) -> Form:
    weight = weights(first, setting)  # they follow the arc, and the search knows it to a fraction of its sigma
    unknown, converged = down(first, weight, setting)
    at = rows(unknown, weight, setting)
    spare = 2 * np.sum(setting.seen.used, axis=(1, 2)) + _prior_count(setting) - unknown.shape[1]
    spread = covariance(at.jacobian)
    evidence = 0.5 * np.linalg.slogdet(spread)[1] - at.cost / 2 - np.log(prior_sigmas(setting)).sum()
    evidence += 2 * np.sum(np.log(np.where(setting.seen.used, weight, 1.0)), axis=(1, 2))
    # the covariance tells what the fit shows, where it shows more than was assumed
    worse = np.array([global_test(*pair) < ALPHA_GLOBAL for pair in zip(at.cost.tolist(), spare.tolist(), strict=True)])
    widening = np.where(worse, at.cost / spare, 1.0)
    gradient = highest_gradient(unknown, setting.priors, opened=setting.opened)
    apex = highest(unknown, setting.priors, opened=setting.opened)
    # the information is the sum over rows of their outer products, so the variance of anything is a sum over rows, too
    rows_up = np.sum(at.jacobian * (spread @ gradient[:, 2, :, None]).transpose(0, 2, 1), axis=2) ** 2 * widening[:, None]
    spread = widening[:, None, None] * spread
    both = gradient @ spread @ gradient.transpose(0, 2, 1)
    return Form(setting, unknown, weight, converged, apex, both, spread, rows_up, at.cost, spare, evidence)


def _prior_count(setting: Setting) -> int:
    """Return how many rows are priors: of all unknowns but the place and time of the apex, and of the presses."""
    return ARC - 4 + 4 * int(setting.seen.press_s.shape[1])


def mixed(k: int, both: BothForms) -> tuple[Vector, Vector]:
    """Return the mean and the covariance of the apex and its time over both forms, for one flight."""
    p = float(both.p_opened[k])
    parts = [(share, form.apex[k], form.covariance[k]) for share, form in ((1 - p, both.whole), (p, both.opened)) if share > 0]
    mean: Vector = sum((share * apex for share, apex, _ in parts), start=np.zeros(4))
    spread: Vector = sum((share * (own + np.outer(apex - mean, apex - mean)) for share, apex, own in parts), start=np.zeros((4, 4)))
    return mean, spread


def height_budget(k: int, both: BothForms, origin: Vector) -> dict[str, float]:
    """Return what each source adds to the sigma of one flight's height, m; in quadrature they are the whole.

    Parameters
    ----------
    origin : (S, 2, 3) what part of the variance of each zero, in azimuth and elevation, is the unit's, the survey's and the hand's
    """
    p = float(both.p_opened[k])
    shares = [(share, form) for share, form in ((1 - p, both.whole), (p, both.opened)) if share > 0]
    mean = sum(share * float(form.apex[k, 2]) for share, form in shares)
    parts = np.sum([share * _by_source(form.height_m2[k], origin) for share, form in shares], axis=0)
    parts[-1] += sum(share * (float(form.apex[k, 2]) - mean) ** 2 for share, form in shares)
    return dict(zip(SOURCES, np.sqrt(parts).tolist(), strict=True))


def _by_source(height_m2: Vector, origin: Vector) -> Vector:
    """Return the variances of SOURCES from those of the rows: samples, priors of the arc, of the stations, of the presses."""
    stations = len(origin)
    samples, arc, own, presses = np.split(height_m2, np.cumsum([len(height_m2) - 4 * stations - (ARC - 4), ARC - 4, 3 * stations]))
    shift, zeros = own.reshape(stations, 3)[:, 0], own.reshape(stations, 3)[:, 1:]
    unit, survey, aim = np.sum(zeros[..., None] * origin, axis=(0, 1))
    return np.array([samples.sum(), unit, survey, aim, shift.sum() + presses.sum(), arc.sum()])
