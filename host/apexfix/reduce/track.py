"""The apex of a flight from the tracks of its observers: samples in, an arc fitted, and whether to trust it.

The arc and its unknowns are those of :mod:`apexfix.reduce.arc`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, exp, log, sqrt
from typing import Final, NamedTuple

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import Site, Station, Track, Vector
from apexfix.reduce.arc import (
    ARC,
    Samples,
    Setting,
    TrackPriors,
    covariance,
    descended,
    down,
    highest,
    highest_gradient,
    misclosed,
    prior_sigmas,
    rows,
)
from apexfix.reduce.least_squares import fix_many
from apexfix.reduce.observe import Defaults
from apexfix.reduce.robust import ALPHA_GLOBAL, global_test
from apexfix.units import DEG, SECOND_US, STANDARD_GRAVITY, US


@dataclass(frozen=True, slots=True)
class StationTrack:
    """What one station's track says about itself."""

    station: str
    offset_s: float  # the tube pointed where the model was at stamp + offset: clock and lag together
    sigma_offset_s: float
    rms_rad: float  # tracking error on the sky, each axis, as its residuals show it
    misfit: float  # mean square of its residuals over the assumed sigma; about 1 where the observer tracked as was assumed


@dataclass(frozen=True, slots=True)
class TrackFix:
    """An apex solved from tracks."""

    position_m: Vector  # (3,) east, north, up from the pad
    covariance_m2: Vector  # (3, 3) unit zeros, survey and timing included
    utc_us: int  # of the apex
    sigma_time_s: float
    velocity_m_s: Vector  # (2,) east, north, at the apex
    sigma_velocity_m_s: Vector  # (2,)
    opened: float  # probability that the recovery device opened within the tracks
    stations: tuple[StationTrack, ...]
    chi2: float  # priors included
    redundancy: int
    usable: bool
    reasons: tuple[str, ...]  # why it is not usable; empty where it is


SPACING_S: Final = 0.1  # of the thinned samples: a fifth of the life of an error, which loses next to nothing
LEAST_BEFORE_S: Final = 1.0  # an arc that starts later than this before the apex holds too little of the climb
MOST_OUTSIDE_S: Final = 0.5  # an apex further than this outside of all windows is extrapolated
MOST_MISFIT: Final = 4.0  # twice the assumed tracking error: that observer looked elsewhere
_LEAST_SAMPLES: Final = 8
_OPENINGS_S: Final = (-0.3, 0.5)  # after the apex of the whole arc: where the search for an opening begins
_LEAST_LEVEL: Final = cos(89 * DEG)


def fit_track(
    site: Site,
    tracks: Sequence[Track],
    priors: TrackPriors | None = None,
    *,
    defaults: Defaults | None = None,
    start_m: Vector | None = None,
) -> TrackFix:
    """Return the apex of one flight from the tracks of two or more stations.

    Parameters
    ----------
    tracks : of one flight, at most one from a station; short ones are fitted too, and the reasons say so
    defaults : zeros where a station states none
    start_m : (3,) a first guess; by default, where the lines of sight at the presses cross

    Raises
    ------
    ReductionError
        Fewer than two stations, a station that the site does not have, a track of fewer than eight thinned samples, or lines
        of sight that do not cross at the presses where there is no first guess.

    Notes
    -----
    Gauss-Newton with damping on whitened residuals; the covariance is the inverse of the information matrix, priors included,
    times chi-square over redundancy where the global test fails.
    """
    priors, defaults = priors or TrackPriors(), defaults or Defaults()
    stations = _stations(site, tracks)
    origin_us = _origin_us(tracks)
    samples = _joined(tracks, stations, origin_us, priors)
    start = _start(tracks, stations, defaults) if start_m is None else np.asarray(start_m, np.float64)
    press = np.array([(track.mark_utc_us - origin_us) * US for track in tracks])
    setting = Setting(samples, priors, _scales(tracks, stations, start, priors, defaults), press)
    first = np.zeros(ARC + 3 * len(tracks))
    first[:3], first[3], first[6] = start, -priors.lag_s, priors.drag_m_s4
    return _told(_forms(first, setting), tracks)


# --- the two forms of the arc ---------------------------------------------------------------------------------------


class Form(NamedTuple):
    """One form of the arc, fitted."""

    setting: Setting
    unknown: Vector
    weight: Vector
    converged: bool
    apex: Vector  # (4,) east, north, up, time
    covariance: Vector  # (4, 4) of these
    spread: Vector  # (P, P) of the unknowns
    chi2: float
    redundancy: int
    evidence: float  # logarithm, up to what both forms share


def _forms(first: Vector, setting: Setting) -> tuple[Form, float, Form | None]:
    """Return the likelier form of the arc, its probability, and the other one where it could be fitted."""
    whole = _form(first, setting, looks=2)
    other = setting._replace(opened=True)
    trials = [down(_begun(whole.unknown, setting.priors, at), whole.weight, other) for at in _OPENINGS_S]
    settled = [unknown for unknown, converged in trials if converged]
    if not settled:
        return whole, 1.0, None
    opened = _form(min(settled, key=lambda unknown: _cost(unknown, whole.weight, other)), other, looks=1)
    if not opened.converged:
        return whole, 1.0, None
    share = setting.priors.opening_share
    odds = log(share / (1 - share)) + opened.evidence - whole.evidence
    p_opened = 1 / (1 + exp(-max(-700.0, min(700.0, odds)))) if whole.converged else 1.0
    return (opened, p_opened, whole) if p_opened > 0.5 else (whole, 1 - p_opened, opened)


def _begun(unknown: Vector, priors: TrackPriors, opening_s: float) -> Vector:
    """Return first unknowns of an arc with an opening, at a time after the apex of a whole one."""
    first = unknown.copy()
    first[3] += opening_s
    first[:2] += opening_s * unknown[4:6]
    first[2] -= STANDARD_GRAVITY * opening_s**2 / 2
    first[6:10] = -STANDARD_GRAVITY * opening_s, 0.0, 0.0, -priors.canopy_m_s
    return first


def _cost(unknown: Vector, weight: Vector, setting: Setting) -> float:
    residual = rows(unknown, weight, setting)[0]
    return float(residual @ residual)


def _form(first: Vector, setting: Setting, looks: int) -> Form:
    unknown, weight, converged = descended(first, setting, looks)
    residual, jacobian = rows(unknown, weight, setting)
    cost, spare = float(residual @ residual), len(residual) - len(unknown)
    spread = covariance(jacobian)
    evidence = 0.5 * float(np.linalg.slogdet(spread)[1]) - cost / 2 + 2 * float(np.log(weight).sum())
    evidence -= float(np.log(prior_sigmas(setting)).sum())
    if global_test(cost, spare) < ALPHA_GLOBAL:
        spread = spread * (cost / spare)
    position, time_s = highest(unknown, setting)
    gradient = highest_gradient(unknown, setting)
    apex, both = np.append(position, time_s), gradient @ spread @ gradient.T
    return Form(setting, unknown, weight, converged, apex, both, spread, cost, spare, evidence)


def _mixed(form: Form, probability: float, other: Form | None) -> tuple[Vector, Vector]:
    """Return the mean and the covariance of the apex and its time over both forms."""
    if other is None:
        return form.apex, form.covariance
    mean = probability * form.apex + (1 - probability) * other.apex
    parts = ((probability, form), (1 - probability, other))
    both: Vector = sum((p * (f.covariance + np.outer(f.apex - mean, f.apex - mean)) for p, f in parts), start=np.zeros((4, 4)))
    return mean, both


# --- setting up -----------------------------------------------------------------------------------------------------


def _origin_us(tracks: Sequence[Track]) -> int:
    return sum(track.mark_utc_us for track in tracks) // len(tracks)


def _stations(site: Site, tracks: Sequence[Track]) -> list[Station]:
    names = [track.station for track in tracks]
    if len(set(names)) < 2 or len(set(names)) < len(names):
        raise ReductionError(f"tracks of {', '.join(names) or 'no station'}; an arc needs one track each of two stations or more")
    known = {station.id: station for station in site.stations}
    for name in names:
        if name not in known:
            raise ReductionError(f"a track of station {name}, and the site has {', '.join(known)}; add it or correct the name")
    return [known[name] for name in names]


def _joined(tracks: Sequence[Track], stations: Sequence[Station], origin_us: int, priors: TrackPriors) -> Samples:
    parts = [_thinned(k, *pair, origin_us, priors) for k, pair in enumerate(zip(tracks, stations, strict=True))]
    return Samples(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _thinned(row: int, track: Track, station: Station, origin_us: int, priors: TrackPriors) -> Samples:
    """Return the first sample of each stretch of SPACING_S."""
    finite = np.isfinite(track.azimuth_rad) & np.isfinite(track.elevation_rad)
    time_us = track.utc_us[finite]
    order = np.argsort(time_us, kind="stable")
    stretch = (time_us[order] - time_us.min(initial=origin_us)) // round(SPACING_S * SECOND_US)
    taken = order[np.unique(stretch, return_index=True)[1]]
    if len(taken) < _LEAST_SAMPLES:
        raise ReductionError(
            f"the track of station {track.station} has {len(taken)} samples {SPACING_S:g} s apart; an arc needs {_LEAST_SAMPLES}"
        )
    time_s = np.asarray((time_us[taken] - origin_us) * US, dtype=np.float64)
    azimuth, elevation = track.azimuth_rad[finite][taken], track.elevation_rad[finite][taken]
    # one sigma for a whole track keeps its errors a stationary process
    level = max(float(np.median(np.abs(np.cos(elevation)))), _LEAST_LEVEL)
    own = priors.tracking_rad if station.sigma_elevation_rad is None else station.sigma_elevation_rad
    sigma: Vector = np.full(len(taken), own, dtype=np.float64)
    phi = np.exp(-np.diff(time_s, prepend=-np.inf) / priors.correlation_s)
    return Samples(
        np.full(len(taken), row, dtype=np.int64), time_s, azimuth, elevation,
        np.tile(station.position_m, (len(taken), 1)), sigma / level, sigma, phi,
    )  # fmt: skip


def _start(tracks: Sequence[Track], stations: Sequence[Station], defaults: Defaults) -> Vector:
    at = [int(np.argmin(np.abs(track.utc_us - track.mark_utc_us))) for track in tracks]
    azimuth = np.array([[track.azimuth_rad[i] for track, i in zip(tracks, at, strict=True)]])
    elevation = np.array([[track.elevation_rad[i] for track, i in zip(tracks, at, strict=True)]])
    place = np.array([station.position_m for station in stations])
    fixes = fix_many(azimuth, elevation, place, defaults.unit_azimuth_rad, defaults.unit_elevation_rad)
    if not fixes.solved[0]:
        names = ", ".join(track.station for track in tracks)
        raise ReductionError(f"the lines of sight of {names} do not cross where they pressed; give a first guess of the apex")
    start: Vector = fixes.position_m[0]
    return start


def _scales(
    tracks: Sequence[Track], stations: Sequence[Station], start_m: Vector, priors: TrackPriors, defaults: Defaults
) -> Vector:
    """Return the sigma of each station's shift in time and of its zeros; the survey acts as a zero, for the model stays put."""
    scales = []
    for track, station in zip(tracks, stations, strict=True):
        sight = start_m - station.position_m
        level, range_m = max(float(np.hypot(*sight[:2])), 1e-3), max(float(np.linalg.norm(sight)), 1e-3)
        azimuth, elevation = station.sigma_azimuth_zero_rad, station.sigma_elevation_zero_rad
        azimuth = defaults.azimuth_zero_rad if azimuth is None else azimuth
        elevation = defaults.elevation_zero_rad if elevation is None else elevation
        survey = station.sigma_position_m
        across, along = np.hypot(survey / level, priors.aim_rad * range_m / level), np.hypot(survey / range_m, priors.aim_rad)
        scales.append([np.hypot(priors.sigma_lag_s, track.sigma_time_s), np.hypot(azimuth, across), np.hypot(elevation, along)])
    return np.array(scales, dtype=np.float64)


# --- the answer -----------------------------------------------------------------------------------------------------


def _told(forms: tuple[Form, float, Form | None], tracks: Sequence[Track]) -> TrackFix:
    form, probability, other = forms
    apex, both = _mixed(form, probability, other)
    sigma = np.sqrt(np.diag(form.spread))
    held = misclosed(form.unknown, form.setting)[0] * form.weight
    stations = tuple(_station(k, track, form, sigma, held) for k, track in enumerate(tracks))
    reasons = _reasons(float(apex[3]), form.converged, stations, form.setting)
    return TrackFix(
        position_m=apex[:3],
        covariance_m2=both[:3, :3],
        utc_us=_origin_us(tracks) + round(float(apex[3]) * SECOND_US),
        sigma_time_s=float(np.sqrt(both[3, 3])),
        velocity_m_s=form.unknown[4:6].copy(),
        sigma_velocity_m_s=sigma[4:6],
        opened=probability if form.setting.opened else 1 - probability,
        stations=stations,
        chi2=form.chi2,
        redundancy=form.redundancy,
        usable=not reasons,
        reasons=reasons,
    )


def _station(k: int, track: Track, form: Form, sigma: Vector, held: Vector) -> StationTrack:
    setting = form.setting
    mine = setting.samples.row == k
    misfit = float(np.mean(held[mine] ** 2))
    shift = ARC + 3 * k
    scale = float(setting.scale[k, 0])
    return StationTrack(
        station=track.station,
        offset_s=float(form.unknown[shift]) * scale - setting.priors.lag_s,
        sigma_offset_s=float(sigma[shift]) * scale,
        rms_rad=sqrt(misfit) * float(setting.samples.sigma_elevation_rad[mine][0]),
        misfit=misfit,
    )


def _reasons(apex_s: float, converged: bool, stations: Sequence[StationTrack], setting: Setting) -> tuple[str, ...]:
    reasons = [] if converged else ["no arc fits these tracks: the fit does not settle"]
    apex_s += setting.priors.lag_s
    time, row = setting.samples.time_s, setting.samples.row
    outside = max(float(time.min()) - apex_s, apex_s - float(time.max()))
    if outside > MOST_OUTSIDE_S:
        reasons.append(f"the apex would lie {outside:.1f} s outside of every track; {MOST_OUTSIDE_S:g} s is the most")
    covering = [float(time[row == k].min()) <= apex_s - LEAST_BEFORE_S for k in range(len(stations))]
    if sum(covering) < 2:
        reasons.append(f"{sum(covering)} of {len(covering)} tracks begin {LEAST_BEFORE_S:g} s before the apex; two must")
    reasons += [
        f"station {s.station} was not on the model: its residuals are {sqrt(s.misfit):.1f} times the assumed tracking error"
        for s in stations
        if s.misfit > MOST_MISFIT
    ]
    return tuple(reasons)
