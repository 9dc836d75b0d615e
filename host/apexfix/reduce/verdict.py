"""How far a height can be trusted: one word and the sentences that lead to it.

Two judges sit side by side. The statistical one asks whether the readings agree within their stated sigmas; the sporting one
whether the heights that the stations give agree within a share of the height, whatever the sigmas. Neither replaces the other: a
pair of careless readings can close by luck, and a careful pair of a low flight may not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from apexfix.model import Verdict
from apexfix.reduce.closure import SportingVerdict
from apexfix.reduce.robust import ALPHA_GLOBAL

ALPHA_DOUBT: Final = 0.01
WIDEST_HALF: Final = 0.25  # of the height: half an interval wider than this is a guess more than a measurement
MOST_PRIOR: Final = 0.05  # share of the height's variance; above it the answer leans on what was assumed about the drift
STEEPEST_DRIFT: Final = 1.0  # drift over height: 45 degrees off the vertical, half as far again as launch codes let a rail lean


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the verdict on a solved flight rests on."""

    height_m: float
    sigma_m: float
    interval_m: tuple[float, float]
    interval_closed: bool
    cost: float  # chi-square of the kept readings
    redundancy: int
    probability: float  # of a cost as large
    drift_m: float
    prior_share: float  # of the height's variance
    sporting: SportingVerdict | None  # None where nothing can close
    closure_limit_percent: float
    excluded: int
    ambiguous: bool  # another explanation accuses other readings and is about as likely


Finding = tuple[Verdict, str]
_ORDER: Final = (Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED, Verdict.UNSOLVED)


def judge(evidence: Evidence, remarks: Sequence[str] = ()) -> tuple[Verdict, tuple[str, ...]]:
    """Return the worst of all findings, and every finding as a sentence, those that weigh most first."""
    checks = (_agreement, _closure, _exclusions, _redundancy, _prior, _width, _drift)
    verdict, reasons = _worst_first([finding for check in checks for finding in check(evidence)])
    return verdict, (*reasons, *remarks)


def judge_tracks(evidence: Evidence, pressed: Verdict, sigmas_apart: float | None) -> tuple[Verdict, tuple[str, ...]]:
    """Return the same for an arc through the tracks, beside what the presses were judged.

    ``sigmas_apart`` is how far the two heights lie from each other, None where that is no further than chance puts them.
    """
    answer = f"the arc through the tracks puts the apex at {evidence.height_m:.1f} m with a sigma of {evidence.sigma_m:.1f} m"
    findings: list[Finding] = [(Verdict.ACCEPTED, answer), *_width(evidence), *_drift(evidence)]
    if sigmas_apart is not None:
        findings.append((Verdict.DOUBTFUL, f"the tracks and the presses give heights {sigmas_apart:.1f} sigmas apart"))
    if pressed in (Verdict.REJECTED, Verdict.UNSOLVED):
        findings.append((Verdict.DOUBTFUL, f"the presses alone are {pressed.value}; only the tracks give a height"))
    return _worst_first(findings)


def _worst_first(findings: list[Finding]) -> tuple[Verdict, tuple[str, ...]]:
    ranked = sorted(findings, key=lambda finding: -_ORDER.index(finding[0]))
    return ranked[0][0], tuple(sentence for _, sentence in ranked)


def _closes(e: Evidence) -> bool:
    return e.sporting is not None and e.sporting.closes


def _agreement(e: Evidence) -> list[Finding]:
    if e.redundancy == 0:
        return []
    figures = f"chi-square {e.cost:.1f} with {e.redundancy} to spare, probability {e.probability:.2g}"
    if e.probability >= ALPHA_DOUBT:
        return [(Verdict.ACCEPTED, f"the readings agree within their stated sigmas ({figures})")]
    sentence = f"the readings disagree by more than their stated sigmas allow ({figures})"
    if e.probability >= ALPHA_GLOBAL:
        return [(Verdict.DOUBTFUL, sentence)]
    cause = "one is wrong and the others cannot show which, or the sigmas are too small; the interval is widened to match"
    return [(Verdict.DOUBTFUL if _closes(e) else Verdict.REJECTED, f"{sentence}: {cause}")]


def _closure(e: Evidence) -> list[Finding]:
    if e.sporting is None:
        return []
    figures = f"{e.sporting.closure_percent:.1f} %, rule {e.sporting.rule.value!r}, limit {e.closure_limit_percent:g} %"
    if e.sporting.closes:
        return [(Verdict.ACCEPTED, f"sporting rule: closes at {e.sporting.height_m} m ({figures})")]
    return [(Verdict.DOUBTFUL, f"sporting rule: does not close ({figures})")]


def _exclusions(e: Evidence) -> list[Finding]:
    if e.ambiguous:
        return [(Verdict.DOUBTFUL, "another choice of wrong readings explains the rest about as well; the interval covers both")]
    if e.excluded:
        plural = "reading was" if e.excluded == 1 else "readings were"
        return [(Verdict.ACCEPTED, f"{e.excluded} {plural} left out, see excluded; the others agree without")]
    return []


def _redundancy(e: Evidence) -> list[Finding]:
    if e.redundancy > 0:
        return []
    return [(Verdict.DOUBTFUL, "there are no more readings than unknowns: nothing checks them, a wrong one goes unseen")]


def _prior(e: Evidence) -> list[Finding]:
    if e.prior_share <= MOST_PRIOR:
        return []
    sentence = f"{100 * e.prior_share:.0f} % of the height's variance is what was assumed about the drift, not measured"
    return [(Verdict.DOUBTFUL, sentence)]


def _width(e: Evidence) -> list[Finding]:
    findings = []
    low, high = e.interval_m
    if not e.interval_closed:
        sentence = f"the 95 % interval does not end within {low:.0f} .. {high:.0f} m: the lines of sight are too nearly parallel"
        findings.append((Verdict.DOUBTFUL, sentence))
    half = (high - low) / 2 / e.height_m if e.height_m > 0 else float("inf")
    if half > WIDEST_HALF:
        findings.append((Verdict.DOUBTFUL, f"the height is known only to {low:.0f} .. {high:.0f} m (95 %)"))
    if e.height_m <= 0:
        findings.append((Verdict.REJECTED, f"the apex comes out {-e.height_m:.0f} m below the pad"))
    return findings


def _drift(e: Evidence) -> list[Finding]:
    if e.drift_m <= STEEPEST_DRIFT * abs(e.height_m):
        return []
    return [(Verdict.DOUBTFUL, f"the apex comes out {e.drift_m:.0f} m from the pad, further than it is high ({e.height_m:.0f} m)")]
