"""Both forms of the arc, fitted to the flights of a batch, and how likely each is."""

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from scipy.special import expit

from apexfix.model import Stamps, Vector
from apexfix.reduce.arc import ARC, TrackPriors, highest, highest_gradient
from apexfix.reduce.arc_fit import covariance, down
from apexfix.reduce.arc_rows import Setting, normal, prior_sigmas, priors_of, weights
from apexfix.reduce.robust import excess
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
    height_m2: Vector  # (F, 1 + P) what the samples and the prior of each unknown add to the variance of the height
    chi2: Vector  # (F,)
    redundancy: Stamps  # (F,)
    evidence: Vector  # (F,) logarithm, up to what both forms share


class BothForms(NamedTuple):
    whole: Form
    opened: Form
    p_opened: Vector  # (F,) probability of the second form; 0 where it could not be fitted


def both_forms(first: Vector, setting: Setting) -> BothForms:
    """Return both forms of the arc and how likely the second is; each search for an opening begins at another instant."""
    few = replace(setting, seen=setting.seen.few())
    opened_setting = replace(setting, opened=True)
    weight = weights(first, few)
    start, _ = down(first, weight, few)
    unknown = _best_opening(start, weight, replace(few, opened=True))
    whole, opened = _form(start, setting), _form(unknown, opened_setting)
    share = setting.priors.opening_share
    odds = np.log(share / (1 - share)) + opened.evidence - whole.evidence
    p_opened = np.where(whole.converged, expit(odds), 1.0)
    return BothForms(whole, opened, np.where(opened.converged, p_opened, 0.0))


def _best_opening(whole: Vector, weight: Vector, setting: Setting) -> Vector:
    """Return the unknowns of the likelier arc with an opening for each flight; the searches go down together."""
    flights, starts = len(whole), len(_OPENINGS_S)
    setting = replace(setting, seen=setting.seen.of(np.tile(np.arange(flights), starts)))
    weight = np.concatenate([weight] * starts)
    trials, rested = down(np.concatenate([_begun(whole, setting.priors, at) for at in _OPENINGS_S]), weight, setting)
    cost = np.where(rested, normal(trials, weight, setting).cost, np.inf).reshape(starts, flights)
    best = trials.reshape(starts, flights, -1)[np.argmin(cost, axis=0), np.arange(flights)]
    any_rested = np.asarray(rested.reshape(starts, flights).any(axis=0))
    return np.where(any_rested[:, None], best, _begun(whole, setting.priors, 0.0))


def _begun(unknown: Vector, priors: TrackPriors, opening_s: float) -> Vector:
    """Return first unknowns of arcs with an opening, at a time after the apex of whole ones."""
    first = unknown.copy()
    first[:, 3] += opening_s
    first[:, :2] += opening_s * unknown[:, 4:6]
    first[:, 2] -= STANDARD_GRAVITY * opening_s**2 / 2
    first[:, 6:ARC] = -STANDARD_GRAVITY * opening_s, 0.0, 0.0, -priors.canopy_m_s, priors.drag_m_s4
    return first


def _form(first: Vector, setting: Setting) -> Form:
    weight = weights(first, setting)  # they follow the arc, and the search knows it to a fraction of its sigma
    unknown, converged = down(first, weight, setting)
    at = normal(unknown, weight, setting)
    spare = 2 * np.sum(setting.seen.used, axis=(1, 2)) + _prior_count(setting) - unknown.shape[1]
    spread = covariance(at.matrix)
    evidence = 0.5 * np.linalg.slogdet(spread)[1] - at.cost / 2 - np.log(prior_sigmas(setting)).sum()
    evidence += 2 * np.sum(np.log(np.where(setting.seen.used, weight, 1.0)), axis=(1, 2))
    # the covariance tells what the fit shows, where it shows more than was assumed
    widening = np.array([excess(*pair) for pair in zip(at.cost.tolist(), spare.tolist(), strict=True)])
    gradient = highest_gradient(unknown, setting.priors, opened=setting.opened)
    apex = highest(unknown, setting.priors, opened=setting.opened)
    up = np.asarray(spread @ gradient[:, 2, :, None])[..., 0]
    height_m2 = _by_belief(up, at.matrix, setting) * widening[:, None]
    spread = widening[:, None, None] * spread
    both = gradient @ spread @ gradient.transpose(0, 2, 1)
    return Form(setting, unknown, weight, converged, apex, both, spread, height_m2, at.cost, spare, evidence)


def _by_belief(up: Vector, information: Vector, setting: Setting) -> Vector:
    """Return what the samples and the prior of each unknown, presses with that of the time, add to the variance of the height.

    Parameters
    ----------
    up : (F, P) covariances of the unknowns with the height

    Notes
    -----
    The information is a sum over what is known, and so is the variance of anything: C = C (A + B + ...) C.
    """
    precision = priors_of(setting)[1]
    precision[3] = setting.seen.press_s.shape[1] / setting.priors.press_s**2
    priors = precision * up**2
    samples = np.einsum("fi,fij,fj->f", up, information, up) - priors.sum(axis=1)
    return np.concatenate([np.maximum(samples, 0.0)[:, None], priors], axis=1)


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
    """Return the variances of SOURCES from those of the samples and priors: of the arc, of the presses, of the stations."""
    own = height_m2[1 + ARC :].reshape(-1, 3)
    unit, survey, aim = np.sum(own[:, 1:, None] * origin, axis=(0, 1))
    timing, arc = own[:, 0].sum() + height_m2[1 + 3], height_m2[1 + 4 : 1 + ARC].sum()
    return np.array([height_m2[0], unit, survey, aim, timing, arc])
