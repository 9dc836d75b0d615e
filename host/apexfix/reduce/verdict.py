"""How far a height can be trusted: one word and the sentences that lead to it.

Two judges sit side by side. The statistical one asks whether the readings agree within their stated sigmas; the sporting one
whether the heights that the stations give agree within a share of the height, whatever the sigmas. Neither replaces the other: a
pair of careless readings can close by luck, and a careful pair of a low flight may not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from apexfix.model import Verdict
from apexfix.reduce.at_apex import OffTrack, ZeroCheck
from apexfix.reduce.closure import SportingVerdict
from apexfix.reduce.robust import ALPHA_GLOBAL
from apexfix.units import DEG

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


@dataclass(frozen=True, slots=True)
class TrackChecks:
    """What an arc is checked by, beside its own width."""

    zeros: ZeroCheck
    off: OffTrack | None  # None where every press lies on its track
    pressed: Evidence | None  # of the presses as they were made; None where they have no position
    carried: Evidence | None  # of the same carried along the arc to the apex
    late_s: Mapping[str, float]  # station -> what its press shows, after the apex


def judge_tracks(arc: Evidence, checks: TrackChecks) -> tuple[Verdict, tuple[str, ...]]:
    """Return the same for an arc through the tracks.

    What the presses disagree about as they were made does not count where they agree at the apex: then it is explained.
    """
    answer = f"the arc through the tracks puts the apex at {arc.height_m:.1f} m with a sigma of {arc.sigma_m:.1f} m"
    findings: list[Finding] = [(Verdict.ACCEPTED, answer), *_width(arc), *_drift(arc)]
    zeros = judge_zeros(checks.zeros, closes=checks.carried is not None and _closes(checks.carried))
    return _worst_first([*findings, zeros, *_on_track(checks.off), *_carried(checks), *_as_pressed(checks), *_exclusions(arc)])


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


def judge_zeros(zeros: ZeroCheck, *, closes: bool) -> Finding:
    """Return what the worst zero that an arc needs means for a height whose readings close, or do not, by the sporting rule."""
    worst, size = f"the {zeros.quantity} zero of station {zeros.station}", f"{zeros.w:.1f} sigmas"
    if zeros.probability >= ALPHA_DOUBT:
        return Verdict.ACCEPTED, f"the arc needs no zero far from what is believed of it (the furthest: {worst}, {size})"
    figures = f"probability {zeros.probability:.2g}"
    sentence = f"the tracks meet only with a zero {size} from what is believed of it ({figures}); two stations cannot show which"
    if zeros.nameable:
        sentence = f"the arc needs {worst} {size} from what is believed of it ({zeros.value_rad / DEG:+z.1f}°, {figures})"
    if zeros.widening == 1:
        return Verdict.DOUBTFUL, sentence
    return Verdict.DOUBTFUL if closes else Verdict.REJECTED, f"{sentence}; the interval is widened to match"


def _on_track(off: OffTrack | None) -> list[Finding]:
    if off is None:
        return []
    where = f"{off.value_rad / DEG:+z.1f}° from where the arc has its tube at that instant"
    figures = f"{off.sigmas:.1f} times its sigma; all presses together: probability {off.probability:.2g}"
    return [(Verdict.DOUBTFUL, f"the {off.quantity} at the press of station {off.station} lies {where} ({figures})")]


def _carried(checks: TrackChecks) -> list[Finding]:
    if checks.carried is None:
        return [(Verdict.DOUBTFUL, "the presses have no height, also carried along the arc to the apex; only the tracks give one")]
    findings = [*_agreement(checks.carried), *_closure(checks.carried)]
    if checks.carried.excluded:
        findings.append((Verdict.DOUBTFUL, "a reading is far from where the others put the apex, and its track is in the arc"))
    return [(verdict, f"presses carried along the arc to the apex: {sentence}") for verdict, sentence in findings]


def _as_pressed(checks: TrackChecks) -> list[Finding]:
    """Say how the presses looked before they were carried, and why that was so; no more than that, for the rest is judged."""
    pressed, carried = checks.pressed, checks.carried
    if pressed is None:
        return []
    sentences = [sentence for _, sentence in _closure(pressed)]
    explained = carried is not None and carried.probability >= ALPHA_DOUBT
    if explained and (pressed.ambiguous or pressed.probability < ALPHA_DOUBT):
        disagree = f"they disagree (chi-square {pressed.cost:.1f} with {pressed.redundancy} to spare)"
        trouble = "they leave open which of them is wrong" if pressed.ambiguous else disagree
        sentences.append(f"{trouble}, because they show the model {_when(checks.late_s)}")
    return [(Verdict.ACCEPTED, f"presses as they were made: {sentence}") for sentence in sentences]


def _when(late_s: Mapping[str, float]) -> str:
    return ", ".join(f"{abs(late):.1f} s {'after' if late >= 0 else 'before'} its apex ({name})" for name, late in late_s.items())


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
