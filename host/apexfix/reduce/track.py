"""The apex of a flight from the tracks of its observers: samples in, an arc fitted, and whether to trust it.

The arc and its unknowns are those of :mod:`apexfix.reduce.arc`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, sqrt
from typing import Final

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import Site, Station, Track, Vector
from apexfix.reduce.arc import ARC, Samples, Setting, TrackPriors, covariance, descended, misclosed, rows
from apexfix.reduce.least_squares import fix_many
from apexfix.reduce.observe import Defaults
from apexfix.reduce.robust import ALPHA_GLOBAL, global_test
from apexfix.units import DEG, SECOND_US, US


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
    unknown, weight, converged = descended(first, setting)
    return _told(unknown, weight, converged, setting, tracks)


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
        scales.append([np.hypot(priors.sigma_lag_s, track.sigma_time_s), np.hypot(azimuth, survey / level),
                       np.hypot(elevation, survey / range_m)])  # fmt: skip
    return np.array(scales, dtype=np.float64)


# --- the answer -----------------------------------------------------------------------------------------------------


def _told(
    unknown: Vector, weight: Vector, converged: bool, setting: Setting, tracks: Sequence[Track]
) -> TrackFix:
    residual, jacobian = rows(unknown, weight, setting)
    cost, spare = float(residual @ residual), len(residual) - len(unknown)
    spread = covariance(jacobian)
    if global_test(cost, spare) < ALPHA_GLOBAL:
        spread = spread * (cost / spare)
    sigma = np.sqrt(np.diag(spread))
    held = misclosed(unknown, setting)[0] * weight
    stations = tuple(_station(k, track, unknown, sigma, held, setting) for k, track in enumerate(tracks))
    reasons = _reasons(unknown, converged, stations, setting)
    return TrackFix(
        position_m=unknown[:3].copy(),
        covariance_m2=spread[:3, :3],
        utc_us=_origin_us(tracks) + round(float(unknown[3]) * SECOND_US),
        sigma_time_s=float(sigma[3]),
        velocity_m_s=unknown[4:6].copy(),
        sigma_velocity_m_s=sigma[4:6],
        stations=stations,
        chi2=cost,
        redundancy=spare,
        usable=not reasons,
        reasons=reasons,
    )


def _station(
    k: int, track: Track, unknown: Vector, sigma: Vector, held: Vector, setting: Setting
) -> StationTrack:
    mine = setting.samples.row == k
    misfit = float(np.mean(held[mine] ** 2))
    shift = ARC + 3 * k
    scale = float(setting.scale[k, 0])
    return StationTrack(
        station=track.station,
        offset_s=float(unknown[shift]) * scale - setting.priors.lag_s,
        sigma_offset_s=float(sigma[shift]) * scale,
        rms_rad=sqrt(misfit) * float(setting.samples.sigma_elevation_rad[mine][0]),
        misfit=misfit,
    )


def _reasons(unknown: Vector, converged: bool, stations: Sequence[StationTrack], setting: Setting) -> tuple[str, ...]:
    reasons = [] if converged else ["no arc fits these tracks: the fit does not settle"]
    apex_s = float(unknown[3]) + setting.priors.lag_s
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
