"""The better of two answers for a flight: from the presses, or from the arc through the tracks; each by its own covariance."""

from collections.abc import Sequence
from dataclasses import replace
from math import hypot, sqrt
from typing import Final, TypeVar

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import FittedTrack, FlightResult, Residual, Site, Station, Track, Vector
from apexfix.reduce.adjust import Correction
from apexfix.reduce.interval import COVERAGE_SIGMAS, stretched
from apexfix.reduce.least_squares import sightlines
from apexfix.reduce.options import Options
from apexfix.reduce.robust import CRITICAL_W, global_test
from apexfix.reduce.sightline import misclosure
from apexfix.reduce.track import Tracked, TrackFix, fit_tracks, tracked
from apexfix.reduce.verdict import Evidence, judge_tracks

TRACK_FIT: Final = "track fit"
_LEAST_TRACKS: Final = 2
_Angles = TypeVar("_Angles", Track, FittedTrack)


def with_tracks(
    site: Site, results: Sequence[FlightResult], let_go: Sequence[Correction], options: Options
) -> tuple[FlightResult, ...]:
    """Return the results with the arc beside the presses, or in their place where its height is better known.

    Parameters
    ----------
    let_go : zeros that the whole day found wrong; they are taken out of the tracks too
    """
    known = _known(site, let_go)
    ready = {result.flight: _ready(known, result, let_go, options) for result in results if len(result.tracks) >= _LEAST_TRACKS}
    fitting = {flight: tracks for flight, tracks in ready.items() if isinstance(tracks, Tracked)}
    fixes = dict(zip(fitting, fit_tracks(list(fitting.values())), strict=True))
    reasons = {flight: why for flight, why in ready.items() if isinstance(why, str)}
    return tuple(
        _judged(site, result, _as_held(fixes[result.flight], let_go))
        if result.flight in fixes
        else _with_reason(result, f"the tracks are not used: {reasons[result.flight]}")
        if result.flight in reasons
        else result
        for result in results
    )


def _ready(known: Site, result: FlightResult, let_go: Sequence[Correction], options: Options) -> Tracked | str:
    """Return what can be fitted of a flight's tracks, or why nothing can."""
    accused = {exclusion.station for exclusion in result.excluded if exclusion.quantity in ("azimuth", "elevation")}
    tracks = [_corrected(track, let_go, -1) for track in result.tracks if track.station not in accused]
    try:
        return tracked(known, tracks, defaults=options.defaults, start_m=result.position_m)
    except ReductionError as error:
        return str(error)


def _judged(site: Site, result: FlightResult, fix: TrackFix) -> FlightResult:
    if not fix.usable:
        return _with_reason(result, f"the tracks are not used: {'; '.join(fix.reasons)}")
    methods = {**result.methods, TRACK_FIT: float(fix.position_m[2])}
    beside = replace(result, methods=methods, utc_us=fix.utc_us, fitted=fix.stations)
    sigma_m = sqrt(fix.covariance_m2[2, 2])
    if result.covariance_m2 is not None and result.covariance_m2[2, 2] <= fix.covariance_m2[2, 2]:
        return _with_reason(beside, f"the tracks know the height no better (sigma {sigma_m:.1f} m) and stand beside")
    return replace(_replaced(beside, fix), residuals=_residuals(site, result, fix.position_m))


def _as_held(fix: TrackFix, let_go: Sequence[Correction]) -> TrackFix:
    """Return the fix with the fitted tracks as the tubes were held, with the zeros that the day found wrong."""
    return replace(fix, stations=tuple(_corrected(own, let_go, 1) for own in fix.stations))


def _with_reason(result: FlightResult, reason: str) -> FlightResult:
    return replace(result, reasons=(*result.reasons, reason))


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


def _replaced(result: FlightResult, fix: TrackFix) -> FlightResult:
    height, sigma = float(fix.position_m[2]), sqrt(fix.covariance_m2[2, 2])
    interval = _interval(result, height, sigma)
    evidence = Evidence(
        height_m=height,
        sigma_m=sigma,
        interval_m=interval,
        interval_closed=True,
        cost=fix.chi2,
        redundancy=fix.redundancy,
        probability=global_test(fix.chi2, fix.redundancy),
        drift_m=hypot(fix.position_m[0], fix.position_m[1]),
        prior_share=0.0,
        sporting=None,
        closure_limit_percent=0.0,
        excluded=0,
        ambiguous=False,
    )
    apart = _sigmas_from_presses(result, fix)
    verdict, reasons = judge_tracks(evidence, result.verdict, apart if apart > CRITICAL_W else None)
    return replace(
        result,
        verdict=verdict,
        reasons=(*reasons, *(f"by the presses: {reason}" for reason in result.reasons)),
        position_m=fix.position_m,
        covariance_m2=fix.covariance_m2,
        interval95_m=interval,
        method=TRACK_FIT,
        budget_m=dict(fix.budget_m),
    )


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


def _sigmas_from_presses(result: FlightResult, fix: TrackFix) -> float:
    if result.position_m is None or result.covariance_m2 is None:
        return 0.0
    both = sqrt(result.covariance_m2[2, 2] + fix.covariance_m2[2, 2])
    return abs(float(fix.position_m[2] - result.position_m[2])) / both
