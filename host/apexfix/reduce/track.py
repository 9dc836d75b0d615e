"""One arc through all that the observers held in their tubes around the apex; nobody needs to press at the same time as another.

The arc, at *s* seconds after the apex:

    level     apex + v s                       + a s^2 / 2   after the apex
    up        apex - g s^2 / 2 + c s^3 |s|     + a s^2 / 2   after the apex

*c* is the first term of the series of a vertical coast with drag growing as the square of the speed, g^3 / (12 w^2) at the terminal
speed w. *a* stands for the recovery device: it opens at a time that nobody knows, and from then on no parabola holds. Both are
solved for with priors. What the arc still leaves out grows away from the apex and takes weight from the samples there.

Each observer's tube points where the model was a little earlier, and each clock is off by a little: one shift in time for each
station, with a prior. A lag common to all moves the time of the apex and nothing else. Unit zeros and survey errors do not average
out over a track; they are solved for with their priors too, so that the covariance holds them.

A tracking error lives for some tenths of a second (Ornstein-Uhlenbeck): samples are thinned to a fraction of that time and whitened
exactly as a first-order autoregression, x_i - phi x_(i-1) over sigma sqrt(1 - phi^2), phi = exp(-dt / tau).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, sqrt
from typing import Final, NamedTuple

import numpy as np

from apexfix.errors import ReductionError
from apexfix.model import Site, Stamps, Station, Track, Vector
from apexfix.reduce.least_squares import fix_many, sightlines
from apexfix.reduce.observe import Defaults
from apexfix.reduce.robust import ALPHA_GLOBAL, global_test
from apexfix.reduce.sightline import frame, linearise
from apexfix.units import DEG, SECOND_US, STANDARD_GRAVITY, US


@dataclass(frozen=True, slots=True)
class TrackPriors:
    """What is believed about observers and models before a track is seen. All sigmas are of normal distributions."""

    tracking_rad: float = 0.3 * DEG  # of a held direction on the sky, each axis; a station's own elevation sigma goes first
    correlation_s: float = 0.5  # how long a tracking error lives
    lag_s: float = 0.2  # by how much a tube trails what it follows
    sigma_lag_s: float = 0.1
    press_s: float = 0.4  # of a press about the apex, reaction time included
    velocity_m_s: float = 15.0  # per axis, level, at the apex
    drag_m_s4: float = 0.02  # the c of the module's text: a terminal speed of 60 m/s
    sigma_drag_m_s4: float = 0.02
    recovery_m_s2: float = 4.0  # per axis, what a recovery device adds after the apex
    coast_m_s3: float = 0.01  # what the arc leaves out before the apex, times |s|^3
    fall_m_s2: float = 0.5  # and after it, times s^2


@dataclass(frozen=True, slots=True)
class StationTrack:
    """What one station's track says about itself."""

    station: str
    offset_s: float  # the tube pointed where the model was at stamp + offset: clock and lag together
    sigma_offset_s: float
    rms_rad: float  # tracking error on the sky, each axis, as its residuals show it
    misfit: float  # mean square of its whitened residuals; near 1 where the observer tracked as well as was assumed


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
_ITERATIONS: Final = 40
_LOOKS: Final = 2  # the weights follow the arc, and the first look already knows it to a fraction of its sigma
_STEP: Final = 1e-4  # of a step, in sigmas
_LEAST_DAMPING: Final = 1e-3
_RIDGE: Final = 1e-13  # of a scaled matrix: above rounding, below all that is known
_TINY: Final = 1e-12
_LEAST_LEVEL: Final = cos(89 * DEG)
_ARC: Final = 10  # parameters of the arc: apex 3, time 1, velocity 2, drag 1, recovery 3; then 3 for each station


class _Samples(NamedTuple):
    """Thinned samples of all stations, one after the other."""

    row: Stamps  # (M,) number of the station
    time_s: Vector  # (M,) from the common origin
    azimuth_rad: Vector
    elevation_rad: Vector
    station_m: Vector  # (M, 3)
    sigma_azimuth_rad: Vector
    sigma_elevation_rad: Vector
    phi: Vector  # (M,) correlation with the sample before it, 0 at the first


class _Setting(NamedTuple):
    """Everything that stays the same while a fit goes down."""

    samples: _Samples
    priors: TrackPriors
    scale: Vector  # (S, 3) sigma of the shift in time and of the zeros in azimuth and elevation
    press_s: Vector  # (S,) when they pressed, from the common origin


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
    setting = _Setting(samples, priors, _scales(tracks, stations, start, priors, defaults), press)
    first = np.zeros(_ARC + 3 * len(tracks))
    first[:3], first[3], first[6] = start, -priors.lag_s, priors.drag_m_s4
    unknown, weight, converged = _descended(first, setting)
    rows = _rows(unknown, weight, setting)
    return _told(unknown, rows, converged, setting, tracks)


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


def _joined(tracks: Sequence[Track], stations: Sequence[Station], origin_us: int, priors: TrackPriors) -> _Samples:
    parts = [_thinned(k, *pair, origin_us, priors) for k, pair in enumerate(zip(tracks, stations, strict=True))]
    return _Samples(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _thinned(row: int, track: Track, station: Station, origin_us: int, priors: TrackPriors) -> _Samples:
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
    return _Samples(
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
    rows = []
    for track, station in zip(tracks, stations, strict=True):
        sight = start_m - station.position_m
        level, range_m = max(float(np.hypot(*sight[:2])), 1e-3), max(float(np.linalg.norm(sight)), 1e-3)
        azimuth, elevation = station.sigma_azimuth_zero_rad, station.sigma_elevation_zero_rad
        azimuth = defaults.azimuth_zero_rad if azimuth is None else azimuth
        elevation = defaults.elevation_zero_rad if elevation is None else elevation
        survey = station.sigma_position_m
        rows.append([np.hypot(priors.sigma_lag_s, track.sigma_time_s), np.hypot(azimuth, survey / level),
                     np.hypot(elevation, survey / range_m)])  # fmt: skip
    return np.array(rows, dtype=np.float64)


# --- the fit --------------------------------------------------------------------------------------------------------


def _arc(unknown: Vector, time_s: Vector) -> tuple[Vector, Vector]:
    """Return (M, 3) positions at times, and their (M, 3, 10) derivatives; the one by the apex' time is minus that by the time."""
    s = time_s - unknown[3]
    fallen = np.maximum(s, 0.0)
    quartic = s**3 * np.abs(s)
    by = np.zeros((len(s), 3, _ARC))
    by[:, [0, 1, 2], [0, 1, 2]] = 1.0
    by[:, [0, 1], [4, 5]] = s[:, None]
    by[:, 2, 6] = quartic
    by[:, [0, 1, 2], [7, 8, 9]] = fallen[:, None] ** 2 / 2
    position = by @ unknown[:_ARC]
    position[:, 2] -= STANDARD_GRAVITY * s**2 / 2
    speed = fallen[:, None] * unknown[7:10]
    speed[:, :2] += unknown[4:6]
    speed[:, 2] += 4 * unknown[6] * np.abs(s) ** 3 - STANDARD_GRAVITY * s
    by[:, :, 3] = -speed
    return position, by


def _rows(unknown: Vector, weight: Vector, setting: _Setting) -> tuple[Vector, Vector]:
    """Return whitened (2 M + priors,) residuals and the (2 M + priors, P) derivatives of what they predict."""
    residual, jacobian = _misclosed(unknown, setting)
    phi = setting.samples.phi
    prior_residual, prior_jacobian = _prior_rows(unknown, setting)
    return (
        np.concatenate([(_whitened(residual, phi) * weight).ravel(), prior_residual]),
        np.concatenate([(_whitened(jacobian, phi) * weight[..., None]).reshape(-1, len(unknown)), prior_jacobian]),
    )


def _shifts(unknown: Vector, setting: _Setting) -> tuple[Vector, Vector, Vector]:
    """Return when the model was where each sample shows it, and the zeros in each, all (M,)."""
    shift, zero_a, zero_e = (unknown[_ARC:].reshape(-1, 3) * setting.scale)[setting.samples.row].T
    return setting.samples.time_s - setting.priors.lag_s + shift, zero_a, zero_e


def _misclosed(unknown: Vector, setting: _Setting) -> tuple[Vector, Vector]:
    """Return (M, 2) residuals over the tracking error, across and along, and the (M, 2, P) derivatives of the predictions."""
    samples, scale = setting.samples, setting.scale
    time_s, zero_a, zero_e = _shifts(unknown, setting)
    position, by = _arc(unknown, time_s)
    sigma_a, sigma_e = samples.sigma_azimuth_rad, samples.sigma_elevation_rad
    lines = sightlines(
        (samples.azimuth_rad - zero_a)[:, None], (samples.elevation_rad - zero_e)[:, None], samples.station_m[:, None],
        sigma_a[:, None], sigma_e[:, None],
    )  # fmt: skip
    seen = linearise(position.T, lines)
    gradient = np.stack([np.concatenate(seen.across_gradient, axis=1), np.concatenate(seen.along_gradient, axis=1)], axis=1)
    jacobian = np.zeros((len(samples.row), 2, len(unknown)))
    jacobian[..., :_ARC] = gradient @ by
    column, each = _ARC + 3 * samples.row, np.arange(len(samples.row))
    # a shift in time does what an earlier apex does, within its own station
    jacobian[each, :, column] = -jacobian[..., 3] * scale[samples.row, 0, None]
    at = frame(position.T, lines)
    blurred2 = at.level2 + lines.zenith_rad**2 * (at.level2 + at.up**2)
    facing = (at.ahead / np.sqrt(np.maximum(blurred2, _TINY)))[:, 0]
    jacobian[each, 0, column + 1] = facing / sigma_a * scale[samples.row, 1]
    jacobian[each, 1, column + 2] = scale[samples.row, 2] / sigma_e
    return np.concatenate([seen.across, seen.along], axis=1), jacobian


def _whitened(series: Vector, phi: Vector) -> Vector:
    """Return the innovations of (M, ...) series of unit variance; phi is 0 where a new one begins."""
    shape = (-1,) + (1,) * (series.ndim - 1)
    before = np.concatenate([series[:1], series[:-1]])
    innovations: Vector = (series - phi.reshape(shape) * before) / np.sqrt(1 - phi**2).reshape(shape)
    return innovations


def _weights(unknown: Vector, setting: _Setting) -> Vector:
    """Return the (M, 1) weights of samples that the arc describes less well than they were held."""
    priors = setting.priors
    time_s = _shifts(unknown, setting)[0]
    s = time_s - unknown[3]
    range_m = np.linalg.norm(_arc(unknown, time_s)[0] - setting.samples.station_m, axis=1)
    left_out = np.where(s < 0, priors.coast_m_s3 * np.abs(s) ** 3, priors.fall_m_s2 * s**2)
    relative = left_out / np.maximum(range_m, 1.0) / setting.samples.sigma_elevation_rad
    return np.asarray(1 / np.sqrt(1 + relative**2))[:, None]


def _prior_rows(unknown: Vector, setting: _Setting) -> tuple[Vector, Vector]:
    priors, stations = setting.priors, len(setting.scale)
    mean, sigma = np.zeros(len(unknown)), np.ones(len(unknown))
    mean[6] = priors.drag_m_s4
    sigma[4:6], sigma[6], sigma[7:10] = priors.velocity_m_s, priors.sigma_drag_m_s4, priors.recovery_m_s2
    held = np.arange(4, len(unknown))
    jacobian = np.zeros((len(held) + stations, len(unknown)))
    jacobian[np.arange(len(held)), held] = 1 / sigma[4:]
    jacobian[len(held) :, 3] = 1 / priors.press_s
    pressed = (setting.press_s - priors.lag_s - unknown[3]) / priors.press_s
    return np.concatenate([(mean - unknown)[4:] / sigma[4:], pressed]), jacobian


def _descended(unknown: Vector, setting: _Setting) -> tuple[Vector, Vector, bool]:
    """Return the unknowns, the weights that they were found with, and whether the last way down came to rest."""
    weight, converged = _weights(unknown, setting), False
    for _ in range(_LOOKS):
        weight = _weights(unknown, setting)
        unknown, converged = _down(unknown, weight, setting)
    return unknown, weight, converged


def _down(unknown: Vector, weight: Vector, setting: _Setting) -> tuple[Vector, bool]:
    damping = 0.0
    residual, jacobian = _rows(unknown, weight, setting)
    for _ in range(_ITERATIONS):
        matrix = jacobian.T @ jacobian
        size = np.sqrt(np.maximum(np.diag(matrix), _TINY))
        scaled = matrix / np.outer(size, size) + (damping + _RIDGE) * np.eye(len(size))
        step = np.linalg.solve(scaled, jacobian.T @ residual / size)
        if np.abs(step).max() < _STEP and damping <= _LEAST_DAMPING:
            return unknown + step / size, True
        trial = _rows(unknown + step / size, weight, setting)
        if trial[0] @ trial[0] <= residual @ residual + _STEP:
            unknown, (residual, jacobian) = unknown + step / size, trial
            damping = damping / 10 if damping > _LEAST_DAMPING else 0.0
        else:
            damping = max(10 * damping, _LEAST_DAMPING)
    return unknown, False


# --- the answer -----------------------------------------------------------------------------------------------------


def _told(
    unknown: Vector, rows: tuple[Vector, Vector], converged: bool, setting: _Setting, tracks: Sequence[Track]
) -> TrackFix:
    residual, jacobian = rows
    cost, spare = float(residual @ residual), len(residual) - len(unknown)
    size = np.sqrt(np.maximum(np.sum(jacobian**2, axis=0), _TINY))
    covariance = np.linalg.inv(jacobian.T @ jacobian / np.outer(size, size) + _RIDGE * np.eye(len(size))) / np.outer(size, size)
    if global_test(cost, spare) < ALPHA_GLOBAL:
        covariance = covariance * (cost / spare)
    sigma = np.sqrt(np.diag(covariance))
    stations = tuple(_station(k, track, unknown, sigma, residual, setting) for k, track in enumerate(tracks))
    reasons = _reasons(unknown, converged, stations, setting)
    return TrackFix(
        position_m=unknown[:3].copy(),
        covariance_m2=covariance[:3, :3],
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
    k: int, track: Track, unknown: Vector, sigma: Vector, residual: Vector, setting: _Setting
) -> StationTrack:
    mine = setting.samples.row == k
    own = residual[: 2 * len(mine)].reshape(-1, 2)[mine]
    misfit = float(np.mean(own**2))
    shift = _ARC + 3 * k
    scale = float(setting.scale[k, 0])
    return StationTrack(
        station=track.station,
        offset_s=float(unknown[shift]) * scale - setting.priors.lag_s,
        sigma_offset_s=float(sigma[shift]) * scale,
        rms_rad=sqrt(misfit) * float(setting.samples.sigma_elevation_rad[mine][0]),
        misfit=misfit,
    )


def _reasons(unknown: Vector, converged: bool, stations: Sequence[StationTrack], setting: _Setting) -> tuple[str, ...]:
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
