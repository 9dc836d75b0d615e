"""The better of two answers for a flight: from the presses, or from the arc through the tracks; each by its own covariance."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from math import hypot, sqrt
from typing import Final, NamedTuple, TypeVar

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import FittedTrack, Flight, FlightResult, Residual, Site, Station, Track, Vector, Verdict
from apexfix.reduce.adjust import Correction
from apexfix.reduce.answer import DISAGREEMENT, QUANTITIES, Answer, by_elevations, closing, evidence_of
from apexfix.reduce.at_apex import Arc, AtApex, ZeroCheck, at_apex, joined, zero_check
from apexfix.reduce.flight import Fit, fits
from apexfix.reduce.interval import COVERAGE_SIGMAS, stretched
from apexfix.reduce.least_squares import sightlines
from apexfix.reduce.options import Options
from apexfix.reduce.robust import global_test
from apexfix.reduce.sightline import misclosure
from apexfix.reduce.solve import Batch
from apexfix.reduce.track import Tracked, TrackFix, fit_tracks, tracked
from apexfix.reduce.verdict import Evidence, TrackChecks, judge_tracks, judge_zeros
from apexfix.reduce.whole_day import Settled

TRACK_FIT: Final = "track fit"
_LEAST_TRACKS: Final = 2
_WITNESSES: Final = 24  # flights that are asked about a zero of the day
_Angles = TypeVar("_Angles", Track, FittedTrack)


def with_tracks(site: Site, pressed: Sequence[Answer], day: Settled, options: Options) -> tuple[FlightResult, ...]:
    """Return the results with the arc beside the presses, or in their place where its height is better known.

    Parameters
    ----------
    pressed : the answers by the presses, in the order of the day's fits
    day : zeros that it found wrong are taken out of the tracks too
    """
    known = _known(site, day.let_go)
    each = enumerate(zip(pressed, day.fits, strict=True))
    ready = {k: _ready(known, own.result, fit, day, options) for k, (own, fit) in each if len(own.result.tracks) >= _LEAST_TRACKS}
    fitting = {k: tracks for k, tracks in ready.items() if isinstance(tracks, Tracked)}
    fixes = zip(fitting.items(), fit_tracks(list(fitting.values())), strict=True)
    arcs = {k: Arc(tracks, fix) for (k, tracks), fix in fixes}
    zeros = {k: zero_check(arc) for k, arc in arcs.items()}
    told = {k: _widened(arc.fix, zeros[k].widening) for k, arc in arcs.items()}
    better = [k for k, arc in arcs.items() if arc.fix.usable and _knows_better(arc.fix, pressed[k].result)]
    carried = dict(zip(better, _carried(day, {k: (pressed[k].result, arcs[k]) for k in better}, options), strict=True))
    results = [own.result for own in pressed]
    for k, why in ready.items():
        if isinstance(why, str):
            results[k] = _with_reason(results[k], f"the tracks are not used: {why}")
        elif k not in carried:
            results[k] = _beside(results[k], _as_held(told[k], day.let_go), zeros[k])
        else:
            results[k] = _judged(site, pressed[k], _as_held(told[k], day.let_go), carried[k], zeros[k])
    return tuple(results)


def tracks_contradict(site: Site, flights: Sequence[Flight], day: Settled, options: Options) -> bool:
    """Return whether arcs fit better with the zeros as stated than with those that the day let go.

    Somebody who presses late in flight after flight reads too low an elevation in each: to a day of presses that is a wrong zero,
    to an arc it is not. All flights speak of the same zeros, so that some of them are enough.
    """
    seen = [(k, flight) for k, flight in enumerate(flights) if len(flight.tracks) >= _LEAST_TRACKS]
    witnesses = seen[:: max(len(seen) // _WITNESSES, 1)]
    stated, let_go = (_arc_costs(site, witnesses, replace(day, let_go=zeros), options) for zeros in ((), day.let_go))
    both = stated.keys() & let_go.keys()
    return sum(stated[k] for k in both) < sum(let_go[k] for k in both)


def _arc_costs(site: Site, flights: Sequence[tuple[int, Flight]], day: Settled, options: Options) -> dict[int, float]:
    """Return the chi-square of the arcs that can be used, with what the day let go taken out."""
    known, ready = _known(site, day.let_go), {}
    for k, flight in flights:
        fixes = day.fits[k].solution.fixes
        start = fixes.position_m[0] if fixes.solved[0] else None
        with suppress(ReductionError):  # what cannot be fitted says nothing here, and is told where its flight is answered
            tracks = [_corrected(track, day.let_go, -1) for track in flight.tracks]
            ready[k] = tracked(known, tracks, defaults=options.defaults, start_m=start)
    return {k: fix.chi2 for k, fix in zip(ready, fit_tracks(list(ready.values())), strict=True) if fix.usable}


def _ready(known: Site, result: FlightResult, fit: Fit, day: Settled, options: Options) -> Tracked | str:
    """Return what can be fitted of a flight's tracks, or why nothing can.

    Where it is open which reading is wrong, no track is left out: a press that came late may be all that is wrong.
    """
    accused = {exclusion.station for exclusion in result.excluded if exclusion.quantity in QUANTITIES and not fit.ambiguous}
    tracks = [_corrected(track, day.let_go, -1) for track in result.tracks if track.station not in accused]
    try:
        return tracked(known, tracks, defaults=options.defaults, start_m=result.position_m)
    except ReductionError as error:
        return str(error)


def _widened(fix: TrackFix, factor: float) -> TrackFix:
    """Return the fix with the sigmas that its zeros ask for."""
    if factor == 1:
        return fix
    budget = _with_disagreement(fix.budget_m, sqrt(fix.covariance_m2[2, 2]), factor)
    return replace(fix, covariance_m2=factor**2 * fix.covariance_m2, budget_m=budget)


def _knows_better(fix: TrackFix, result: FlightResult) -> bool:
    return result.covariance_m2 is None or bool(fix.covariance_m2[2, 2] < result.covariance_m2[2, 2])


def _beside(result: FlightResult, fix: TrackFix, zeros: ZeroCheck) -> FlightResult:
    """Return the answer of the presses with what the arc adds: it sees zeros that are wrong, and the presses share them."""
    if not fix.usable:
        return _with_reason(result, f"the tracks are not used: {'; '.join(fix.reasons)}")
    sigma_m = sqrt(fix.covariance_m2[2, 2])
    own = _with_reason(_with_arc(result, fix), f"the tracks know the height no better (sigma {sigma_m:.1f} m) and stand beside")
    verdict, sentence = judge_zeros(zeros, closes=True)
    return own if verdict is Verdict.ACCEPTED else _doubted(_stretched(own, zeros.widening), sentence)


def _stretched(result: FlightResult, factor: float) -> FlightResult:
    """Return an answer whose sigma is larger by a factor."""
    if result.position_m is None or result.covariance_m2 is None or result.interval95_m is None or factor == 1:
        return result
    return replace(
        result,
        covariance_m2=factor**2 * result.covariance_m2,
        interval95_m=stretched(result.interval95_m, float(result.position_m[2]), factor),
        budget_m=_with_disagreement(result.budget_m, sqrt(result.covariance_m2[2, 2]), factor),
    )


def _with_disagreement(budget_m: Mapping[str, float], sigma_m: float, factor: float) -> dict[str, float]:
    """Return the budget of a sigma that grows by a factor, because what was read disagrees."""
    return {**budget_m, DISAGREEMENT: hypot(budget_m.get(DISAGREEMENT, 0.0), sigma_m * sqrt(factor**2 - 1))}


def _with_arc(result: FlightResult, fix: TrackFix) -> FlightResult:
    methods = {**result.methods, TRACK_FIT: float(fix.position_m[2])}
    return replace(result, methods=methods, utc_us=fix.utc_us, fitted=fix.stations)


class _Carried(NamedTuple):
    """The presses of a flight at its apex, and what they say there."""

    at_apex: AtApex
    evidence: Evidence | None  # None where they have no position


def _carried(day: Settled, arcs: Mapping[int, tuple[FlightResult, Arc]], options: Options) -> list[_Carried]:
    if not arcs:
        return []
    at = [at_apex(_read(day, k), result.sightings, arc) for k, (result, arc) in arcs.items()]
    batch = joined([own.batch for own in at])
    found = fits(batch, options)
    elevations = by_elevations(batch, found)
    carried = []
    for k, (own, fit) in enumerate(zip(at, found, strict=True)):
        row = np.array([k])
        solved = bool(fit.solution.fixes.solved[0])
        sporting = closing(own.batch, fit, elevations.take(row), options)
        carried.append(_Carried(own, evidence_of(own.batch, fit, sporting, options) if solved else None))
    return carried


def _read(day: Settled, k: int) -> Batch:
    """Return what flight k has read, without what is known to be wrong."""
    batch, fit = day.stated.take(np.array([k])), day.fits[k]
    return batch if fit.ambiguous else batch.keep(fit.kept[None])


def _judged(site: Site, pressed: Answer, fix: TrackFix, carried: _Carried, zeros: ZeroCheck) -> FlightResult:
    """Return the arc in the place of the presses, unless these leave open, also at the apex, which of them is wrong."""
    result = pressed.result
    if carried.evidence is not None and carried.evidence.ambiguous:
        why = "carried along the arc to the apex, the presses leave open which of them is wrong: the tracks stand beside"
        return _doubted(_with_arc(result, fix), why)
    settled = pressed.evidence is not None and pressed.evidence.ambiguous
    own = _settled(result) if settled else result
    left_out = 0 if pressed.evidence is None or settled else pressed.evidence.excluded
    evidence = _evidence(own, fix, left_out)
    checks = TrackChecks(zeros, carried.at_apex.off, pressed.evidence, carried.evidence, carried.at_apex.late_s)
    verdict, reasons = judge_tracks(evidence, checks)
    return replace(
        _with_arc(own, fix),
        verdict=verdict,
        reasons=(*reasons, *(f"by the presses: {remark}" for remark in pressed.remarks)),
        position_m=fix.position_m,
        covariance_m2=fix.covariance_m2,
        interval95_m=evidence.interval_m,
        method=TRACK_FIT,
        residuals=_residuals(site, result, fix.position_m),
        budget_m=dict(fix.budget_m),
    )


def _settled(result: FlightResult) -> FlightResult:
    """Return an answer that was open about which reading is wrong without what it left out, and without its wide interval."""
    return replace(result, excluded=tuple(e for e in result.excluded if e.quantity not in QUANTITIES), interval95_m=None)


def _evidence(result: FlightResult, fix: TrackFix, excluded: int) -> Evidence:
    """Return what the width of an arc's answer rests on; what it agrees with is judged apart."""
    height, sigma = float(fix.position_m[2]), sqrt(fix.covariance_m2[2, 2])
    return Evidence(
        height_m=height,
        sigma_m=sigma,
        interval_m=_interval(result, height, sigma),
        interval_closed=True,
        cost=fix.chi2,
        redundancy=fix.redundancy,
        probability=global_test(fix.chi2, fix.redundancy),
        drift_m=hypot(fix.position_m[0], fix.position_m[1]),
        prior_share=0.0,
        sporting=None,
        closure_limit_percent=0.0,
        excluded=excluded,
        ambiguous=False,
    )


def _as_held(fix: TrackFix, let_go: Sequence[Correction]) -> TrackFix:
    """Return the fix with the fitted tracks as the tubes were held, with the zeros that the day found wrong."""
    return replace(fix, stations=tuple(_corrected(own, let_go, 1) for own in fix.stations))


def _with_reason(result: FlightResult, reason: str) -> FlightResult:
    return replace(result, reasons=(*result.reasons, reason))


def _doubted(result: FlightResult, reason: str) -> FlightResult:
    verdict = Verdict.DOUBTFUL if result.verdict is Verdict.ACCEPTED else result.verdict
    return replace(result, verdict=verdict, reasons=(reason, *result.reasons))


def _corrected(track: _Angles, let_go: Sequence[Correction], sign: int) -> _Angles:
    for correction in let_go:
        if correction.station == track.station and correction.quantity == "azimuth zero":
            track = replace(track, azimuth_rad=track.azimuth_rad + sign * correction.value)
        if correction.station == track.station and correction.quantity == "elevation zero":
            track = replace(track, elevation_rad=track.elevation_rad + sign * correction.value)
    return track


def _known(site: Site, let_go: Sequence[Correction]) -> Site:
    """Return the site with the corrected zeros known as well as the day knows them."""

    def station(own: Station) -> Station:
        sigma = {c.quantity: c.sigma for c in let_go if c.station == own.id}
        return replace(
            own,
            sigma_azimuth_zero_rad=sigma.get("azimuth zero", own.sigma_azimuth_zero_rad),
            sigma_elevation_zero_rad=sigma.get("elevation zero", own.sigma_elevation_zero_rad),
        )

    return replace(site, stations=tuple(station(own) for own in site.stations))


def _residuals(site: Site, result: FlightResult, position_m: Vector) -> tuple[Residual, ...]:
    """Return what was read at the presses less what the arc's apex predicts."""
    sightings = result.sightings
    azimuth = np.array([[np.nan if s.azimuth_rad is None else s.azimuth_rad for s in sightings]])
    elevation = np.array([[s.elevation_rad for s in sightings]])
    place = np.array([[site.station(s.station).position_m for s in sightings]])
    one = np.ones(elevation.shape)
    rows = misclosure(position_m[:, None], sightlines(azimuth, elevation, place, one, one))[0]
    known = {residual.station: residual for residual in result.residuals}
    return tuple(_residual(s.station, row, known.get(s.station)) for s, row in zip(sightings, rows, strict=True))


def _residual(station: str, row: Vector, by_presses: Residual | None) -> Residual:
    azimuth, elevation = (float(angle) if np.isfinite(angle) else None for angle in row)
    if by_presses is None:
        return Residual(station, azimuth, elevation)
    return replace(by_presses, azimuth_rad=azimuth, elevation_rad=elevation)


def _interval(result: FlightResult, height_m: float, sigma_m: float) -> tuple[float, float]:
    """Return the interval of the arc's height, as skewed as the geometry makes that of the presses."""
    if result.position_m is None or result.covariance_m2 is None or result.interval95_m is None:
        return height_m - COVERAGE_SIGMAS * sigma_m, height_m + COVERAGE_SIGMAS * sigma_m
    pressed = float(result.position_m[2])
    low, high = stretched(result.interval95_m, pressed, sigma_m / sqrt(result.covariance_m2[2, 2]))
    return low + height_m - pressed, high + height_m - pressed
