"""The apex of a flight from the tracks of its observers: samples in, an arc fitted, and whether to trust it.

The arc and its unknowns are those of :mod:`apexfix.reduce.arc`, their least squares those of :mod:`apexfix.reduce.arc_rows`.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import cos, sqrt
from typing import Final, NamedTuple

import numpy as np

from apexfix.errors import ReductionError
from apexfix.geometry import angles, wrapped
from apexfix.model import FittedTrack, Site, Stamps, Station, Track, Vector
from apexfix.reduce.arc import ARC, DRAG, TrackPriors
from apexfix.reduce.arc_forms import BothForms, Form, both_forms, height_budget, mixed
from apexfix.reduce.arc_rows import BY_SAMPLE, Seen, Setting, along, misclosed, stations_of
from apexfix.reduce.least_squares import fix_many
from apexfix.reduce.observe import Defaults
from apexfix.units import DEG, SECOND_US, US


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
    budget_m: Mapping[str, float]  # source -> what it adds to the sigma of the height; in quadrature they are the whole
    stations: tuple[FittedTrack, ...]
    zeros: Vector  # (S, 2) of the stations, in azimuth and elevation, in sigmas of what was believed of them
    sigma_zeros: Vector  # (S, 2) what is left of those sigmas
    chi2: float  # priors included
    redundancy: int
    usable: bool
    reasons: tuple[str, ...]  # why it is not usable; empty where it is


@dataclass(frozen=True, slots=True)
class Tracked:
    """The tracks of one flight, ready to be fitted."""

    tracks: tuple[Track, ...]
    origin_us: int
    taken: tuple[Stamps, ...]  # numbers of the samples that were kept, a track each
    seen: Seen  # a batch of this flight alone
    priors: TrackPriors
    start_m: Vector  # (3,)
    origin: Vector  # (S, 2, 3) of the variance of each zero, in azimuth and elevation: unit, survey, hand


SPACING_S: Final = 0.1  # of the thinned samples: a fifth of the life of an error, which loses next to nothing
LEAST_BEFORE_S: Final = 1.0  # an arc that starts later than this before the apex holds too little of the climb
MOST_OUTSIDE_S: Final = 0.5  # an apex further than this outside of all windows is extrapolated
MOST_MISFIT: Final = 4.0  # twice the assumed tracking error: that observer looked elsewhere
AT_ONCE: Final = 256  # flights in a batch: enough to hide what a call costs; its rows take ten megabytes
_LEAST_SAMPLES: Final = 8
_MOST_PUSH: Final = 3.0  # sigmas of a drag below zero: air only ever slows, and an arc that needs it to push is another flight's
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
        As of :func:`tracked`.
    """
    return fit_tracks([tracked(site, tracks, priors, defaults=defaults, start_m=start_m)])[0]


def fit_tracks(flights: Sequence[Tracked]) -> list[TrackFix]:
    """Return the apexes of flights, each from its tracks alone; many at once take a fifth of the time of one by one.

    Notes
    -----
    Gauss-Newton with damping on whitened residuals; the covariance is the inverse of the information matrix, priors included,
    times chi-square over redundancy where the global test fails.
    """
    alike: dict[tuple[int, TrackPriors], list[int]] = defaultdict(list)
    for number, flight in enumerate(flights):
        alike[len(flight.tracks), flight.priors].append(number)
    found: dict[int, TrackFix] = {}
    for numbers in alike.values():
        for first in range(0, len(numbers), AT_ONCE):
            batch = numbers[first : first + AT_ONCE]
            found.update(zip(batch, _fitted([flights[number] for number in batch]), strict=True))
    return [found[number] for number in range(len(flights))]


def _fitted(flights: Sequence[Tracked]) -> list[TrackFix]:
    setting = Setting(_joined([flight.seen for flight in flights]), flights[0].priors, opened=False)
    first = np.zeros((len(flights), ARC + 3 * setting.seen.press_s.shape[1]))
    first[:, :3], first[:, 3] = np.array([flight.start_m for flight in flights]), -setting.priors.lag_s
    first[:, 6] = setting.priors.drag_m_s4
    answer = both_forms(first, setting)
    aims = _aims(answer.whole), _aims(answer.opened)
    return [_told(k, flight, answer, aims) for k, flight in enumerate(flights)]


# --- setting up -----------------------------------------------------------------------------------------------------


def tracked(
    site: Site,
    tracks: Sequence[Track],
    priors: TrackPriors | None = None,
    *,
    defaults: Defaults | None = None,
    start_m: Vector | None = None,
) -> Tracked:
    """Return the tracks of one flight thinned and weighed; parameters as of :func:`fit_track`.

    Raises
    ------
    ReductionError
        Fewer than two stations, a station that the site does not have, a track of fewer than eight thinned samples, or lines
        of sight that do not cross at the presses where there is no first guess.
    """
    priors, defaults = priors or TrackPriors(), defaults or Defaults()
    stations = _stations(site, tracks)
    origin_us = sum(track.mark_utc_us for track in tracks) // len(tracks)
    taken = tuple(_thinned(track, origin_us) for track in tracks)
    start = _start(tracks, stations, defaults) if start_m is None else np.asarray(start_m, np.float64)
    own = [priors.tracking_rad if s.sigma_elevation_rad is None else s.sigma_elevation_rad for s in stations]
    samples = [_samples(track, some, origin_us) for track, some in zip(tracks, taken, strict=True)]
    time_s, azimuth, elevation = ([one[n] for one in samples] for n in range(3))
    # one sigma for a whole track keeps its errors a stationary process
    level = [max(float(np.median(np.abs(np.cos(angle)))), _LEAST_LEVEL) for angle in elevation]
    shift = [np.hypot(priors.sigma_lag_s, track.sigma_time_s) for track in tracks]
    zeros = np.array([_zero_variances(station, start, priors, defaults) for station in stations])
    zeros[:, 0, 0] += np.square([track.sigma_azimuth_zero_rad for track in tracks])
    seen = Seen(
        time_s=_padded(time_s),
        azimuth_rad=_padded(azimuth),
        elevation_rad=_padded(elevation),
        phi=_padded([np.exp(-np.diff(own, prepend=-np.inf) / priors.correlation_s) for own in time_s]),
        used=_padded([np.ones(len(some)) for some in taken]) > 0,
        sigma_azimuth_rad=np.array([own]) / level,
        sigma_elevation_rad=np.array([own], dtype=np.float64),
        station_m=np.array([[station.position_m for station in stations]]),
        scale=np.insert(np.sqrt(zeros.sum(axis=2)), 0, shift, axis=1)[None],
        press_s=np.array([[(track.mark_utc_us - origin_us) * US for track in tracks]]),
    )
    return Tracked(tuple(tracks), origin_us, taken, seen, priors, start, zeros / zeros.sum(axis=2, keepdims=True))


def _stations(site: Site, tracks: Sequence[Track]) -> list[Station]:
    names = [track.station for track in tracks]
    if len(set(names)) < 2 or len(set(names)) < len(names):
        raise ReductionError(f"tracks of {', '.join(names) or 'no station'}; an arc needs one track each of two stations or more")
    known = {station.id: station for station in site.stations}
    for name in names:
        if name not in known:
            raise ReductionError(f"a track of station {name}, and the site has {', '.join(known)}; add it or correct the name")
    return [known[name] for name in names]


def _thinned(track: Track, origin_us: int) -> Stamps:
    """Return the numbers of the first sample in each stretch of SPACING_S."""
    finite = np.flatnonzero(np.isfinite(track.azimuth_rad) & np.isfinite(track.elevation_rad))
    order = finite[np.argsort(track.utc_us[finite], kind="stable")]
    time_us = track.utc_us[order]
    stretch = (time_us - time_us.min(initial=origin_us)) // round(SPACING_S * SECOND_US)
    taken: Stamps = order[np.unique(stretch, return_index=True)[1]]
    if len(taken) < _LEAST_SAMPLES:
        raise ReductionError(
            f"the track of station {track.station} has {len(taken)} samples {SPACING_S:g} s apart; an arc needs {_LEAST_SAMPLES}"
        )
    return taken


def _samples(track: Track, taken: Stamps, origin_us: int) -> tuple[Vector, Vector, Vector]:
    """Return the times, azimuths and elevations of some samples."""
    time_s = np.asarray((track.utc_us[taken] - origin_us) * US, dtype=np.float64)
    return time_s, track.azimuth_rad[taken], track.elevation_rad[taken]


def _padded(series: Sequence[Vector]) -> Vector:
    """Return series of different lengths as one (1, S, L) array, filled up with zeros."""
    table = np.zeros((1, len(series), max(len(one) for one in series)))
    for row, own in zip(table[0], series, strict=True):
        row[: len(own)] = own
    return table


def _joined(parts: Sequence[Seen]) -> Seen:
    """Return one batch of flights that are seen by the same number of stations; what is empty has `used` and `phi` zero."""
    stations, longest = parts[0].press_s.shape[1], max(one.time_s.shape[2] for one in parts)

    def lengthened(column: Sequence[Vector]) -> Vector:
        table = np.zeros((len(column), stations, longest), dtype=column[0].dtype)
        for row, own in zip(table, column, strict=True):
            row[:, : own.shape[2]] = own[0]
        return table

    columns = enumerate(zip(*parts, strict=True))
    return Seen._make(lengthened(column) if n < BY_SAMPLE else np.concatenate(column) for n, column in columns)


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


def _zero_variances(station: Station, start_m: Vector, priors: TrackPriors, defaults: Defaults) -> Vector:
    """Return the (2, 3) variances of a station's zeros in azimuth and elevation: unit, survey, hand.

    The survey acts as a zero, for the model stays put; a habit of aiming lasts a whole track.
    """
    sight = start_m - station.position_m
    level, range_m = max(float(np.hypot(*sight[:2])), 1e-3), max(float(np.linalg.norm(sight)), 1e-3)
    azimuth, elevation = station.sigma_azimuth_zero_rad, station.sigma_elevation_zero_rad
    azimuth = defaults.azimuth_zero_rad if azimuth is None else azimuth
    elevation = defaults.elevation_zero_rad if elevation is None else elevation
    survey = station.sigma_position_m
    across = [azimuth, survey / level, priors.aim_rad * range_m / level]
    return np.square([across, [elevation, survey / range_m, priors.aim_rad]])


# --- the answer -----------------------------------------------------------------------------------------------------


class _Aims(NamedTuple):
    """Where an arc says that the tubes of a batch pointed, and how far they were held from there."""

    azimuth_rad: Vector  # (F, S, L) on the side of the zenith where the tube was held
    elevation_rad: Vector
    shift_s: Vector  # (F, S)
    misfit: Vector  # (F, S) mean square of the weighed residuals


def _aims(form: Form) -> _Aims:
    setting = form.setting
    seen = setting.seen
    azimuth, elevation = angles(along(form.unknown, setting) - seen.station_m[:, :, None])
    zero = stations_of(form.unknown, setting)[..., None]
    over = np.abs(wrapped(azimuth - seen.azimuth_rad)) > np.pi / 2
    azimuth = np.where(over, azimuth + np.pi, azimuth) + zero[:, :, 1]
    elevation = np.where(over, np.pi - elevation, elevation) + zero[:, :, 2]
    squares = np.square(misclosed(form.unknown, setting).residual * form.weight[:, :, None])
    misfit = squares.sum(axis=(2, 3)) / (2 * np.sum(seen.used, axis=2))
    return _Aims(np.mod(azimuth, 2 * np.pi), elevation, zero[:, :, 0, 0], misfit)


def _told(k: int, flight: Tracked, both: BothForms, aims: tuple[_Aims, _Aims]) -> TrackFix:
    apex, spread = mixed(k, both)
    likelier = bool(both.p_opened[k] > 0.5)
    form = both.opened if likelier else both.whole
    sigma = np.sqrt(np.diag(form.spread[k]))
    stations = tuple(_station_told(k, n, flight, aims[likelier], float(sigma[ARC + 3 * n])) for n in range(len(flight.tracks)))
    reasons = (*_unfit(form, k, DRAG[likelier]), *_reasons(float(apex[3]), stations, flight))
    return TrackFix(
        position_m=apex[:3],
        covariance_m2=spread[:3, :3],
        utc_us=flight.origin_us + round(float(apex[3]) * SECOND_US),
        sigma_time_s=float(np.sqrt(spread[3, 3])),
        velocity_m_s=form.unknown[k, 4:6].copy(),
        sigma_velocity_m_s=sigma[4:6],
        opened=float(both.p_opened[k]),
        budget_m=height_budget(k, both, flight.origin),
        stations=stations,
        zeros=form.unknown[k, ARC:].reshape(-1, 3)[:, 1:],
        sigma_zeros=sigma[ARC:].reshape(-1, 3)[:, 1:],
        chi2=float(form.chi2[k]),
        redundancy=int(form.redundancy[k]),
        usable=not reasons,
        reasons=reasons,
    )


def _station_told(k: int, n: int, flight: Tracked, aims: _Aims, sigma_shift: float) -> FittedTrack:
    """Return what the track of station n says in flight k of a batch."""
    track, taken, seen = flight.tracks[n], flight.taken[n], flight.seen
    return FittedTrack(
        station=track.station,
        utc_us=track.utc_us[taken],
        azimuth_rad=aims.azimuth_rad[k, n, : len(taken)],
        elevation_rad=aims.elevation_rad[k, n, : len(taken)],
        offset_s=float(aims.shift_s[k, n]) - flight.priors.lag_s,
        sigma_offset_s=sigma_shift * float(seen.scale[0, n, 0]),
        rms_rad=sqrt(aims.misfit[k, n]) * float(seen.sigma_elevation_rad[0, n]),
        misfit=float(aims.misfit[k, n]),
    )


def _unfit(form: Form, k: int, drag: int) -> list[str]:
    """Return why the arc of flight k in a batch is none of a model's."""
    if not form.converged[k]:
        return ["no arc fits these tracks: the fit does not settle"]
    value, sigma = float(form.unknown[k, drag]), float(np.sqrt(form.spread[k, drag, drag]))
    if value < -_MOST_PUSH * sigma:
        return [f"no arc fits these tracks: they ask for a drag of {value:.2f} m/s^4, and air only slows (at least 0 expected)"]
    return []


def _reasons(apex_s: float, stations: Sequence[FittedTrack], flight: Tracked) -> tuple[str, ...]:
    reasons = []
    apex_s += flight.priors.lag_s
    spans = [(own.utc_us[[0, -1]] - flight.origin_us) * US for own in stations]
    outside = max(min(first for first, _ in spans) - apex_s, apex_s - max(last for _, last in spans))
    if outside > MOST_OUTSIDE_S:
        reasons.append(f"the apex would lie {outside:.1f} s outside of every track; {MOST_OUTSIDE_S:g} s is the most")
    covering = [first <= apex_s - LEAST_BEFORE_S for first, _ in spans]
    if sum(covering) < 2:
        reasons.append(f"{sum(covering)} of {len(covering)} tracks begin {LEAST_BEFORE_S:g} s before the apex; two must")
    reasons += [
        f"station {s.station} was not on the model: its residuals are {sqrt(s.misfit):.1f} times the assumed tracking error"
        for s in stations
        if s.misfit > MOST_MISFIT
    ]
    return tuple(reasons)
