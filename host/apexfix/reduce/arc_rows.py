"""What the tracks of some flights say against what an arc predicts: rows of a least-squares problem, and their normal equations.

Each observer's tube points where the model was a little earlier, and each clock is off by a little: one shift in time for each
station, with a prior. A lag common to all moves the time of the apex and nothing else. Unit zeros and survey errors do not average
out over a track; they are solved for with their priors too, so that the covariance holds them.

A tracking error lives for some tenths of a second (Ornstein-Uhlenbeck): samples are thinned to a fraction of that time and whitened
exactly as a first-order autoregression, x_i - phi x_(i-1) over sigma sqrt(1 - phi^2), phi = exp(-dt / tau).

The flights of a batch, F, are seen by the same number of stations, S; a track has L samples, the last of them empty where another's
is longer. Unknowns, P: eleven of the arc, then for each station its shift in time and its zeros in azimuth and elevation, in
sigmas.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from apexfix.model import Stamps, Vector
from apexfix.reduce.arc import ARC, Course, TrackPriors, path
from apexfix.reduce.least_squares import sightlines
from apexfix.reduce.sightline import Mask, frame, linearise

SEARCHED: Final = 3
_RESIDUAL: Final = ARC + 3  # after the unknowns of the arc and of one station
BY_SAMPLE: Final = 5  # the first columns of Seen have a value for each sample
_TINY: Final = 1e-12


class Seen(NamedTuple):
    """The tracks of a batch."""

    time_s: Vector  # (F, S, L) from the common origin of a flight
    azimuth_rad: Vector
    elevation_rad: Vector
    phi: Vector  # (F, S, L) correlation with the sample before it, 0 at the first
    used: Mask  # (F, S, L) False where empty
    sigma_azimuth_rad: Vector  # (F, S)
    sigma_elevation_rad: Vector  # (F, S)
    station_m: Vector  # (F, S, 3)
    scale: Vector  # (F, S, 3) sigma of the shift in time and of the zeros in azimuth and elevation
    press_s: Vector  # (F, S) when they pressed, from the common origin

    def of(self, flights: Stamps) -> "Seen":
        """Return some flights of the batch."""
        return Seen._make(own[flights] for own in self)

    def few(self) -> "Seen":
        """Return one sample in SEARCHED, for a search whose answer is the start of a fit to all of them."""
        # what two samples share is the product of what each shares with the one before
        edge = np.pad(self.phi, ((0, 0), (0, 0), (SEARCHED - 1, 0)))
        length = self.phi.shape[2]
        phi = np.prod([edge[..., k : k + length] for k in range(SEARCHED)], axis=0)
        every = (own[..., ::SEARCHED] for own in (self.time_s, self.azimuth_rad, self.elevation_rad, phi, self.used))
        return Seen._make([*every, *self[BY_SAMPLE:]])


@dataclass(frozen=True, slots=True)
class Setting:
    """Everything that stays the same while the fits of a batch go down."""

    seen: Seen
    priors: TrackPriors
    opened: bool  # the second form of the arc


class Normal(NamedTuple):
    """The normal equations of some flights, priors included: all that the way down needs to know of a thousand rows."""

    cost: Vector  # (F,) sums of squares
    slope: Vector  # (F, P) derivatives of the predictions times the residuals
    matrix: Vector  # (F, P, P) information

    def of(self, some: Mask) -> "Normal":
        return Normal(self.cost[some], self.slope[some], self.matrix[some])


def normal(unknown: Vector, weight: Vector, setting: Setting) -> Normal:
    """Return the normal equations at (F, P) unknowns, with (F, S, L) weights of the samples."""
    every = rows(unknown, weight, setting)
    product = every @ every.transpose(0, 1, 3, 2)
    # a station's rows know the arc and the unknowns of that station: its products are blocks of the whole
    matrix, slope = np.zeros((*unknown.shape, unknown.shape[1])), np.zeros(unknown.shape)
    matrix[:, :ARC, :ARC] = product[:, :, :ARC, :ARC].sum(axis=1)
    slope[:, :ARC] = product[:, :, :ARC, _RESIDUAL].sum(axis=1)
    for k in range(product.shape[1]):
        own = slice(ARC + 3 * k, ARC + 3 * k + 3)
        matrix[:, :ARC, own] = product[:, k, :ARC, ARC:_RESIDUAL]
        matrix[:, own, :ARC] = product[:, k, ARC:_RESIDUAL, :ARC]
        matrix[:, own, own] = product[:, k, ARC:_RESIDUAL, ARC:_RESIDUAL]
        slope[:, own] = product[:, k, ARC:_RESIDUAL, _RESIDUAL]
    return _with_priors(Normal(product[:, :, _RESIDUAL, _RESIDUAL].sum(axis=1), slope, matrix), unknown, setting)


def _with_priors(samples: Normal, unknown: Vector, setting: Setting) -> Normal:
    mean, precision = priors_of(setting)
    priors = setting.priors
    off = mean - unknown
    early = setting.seen.press_s - priors.lag_s - unknown[:, 3:4]  # the presses less the apex
    slope = samples.slope + precision * off
    slope[:, 3] += early.sum(axis=1) / priors.press_s**2
    cost = samples.cost + off**2 @ precision + np.sum(early**2, axis=1) / priors.press_s**2
    matrix = samples.matrix + np.diag(precision)
    matrix[:, 3, 3] += early.shape[1] / priors.press_s**2
    return Normal(cost, slope, matrix)


def priors_of(setting: Setting) -> tuple[Vector, Vector]:
    """Return the (P,) means and precisions of what is believed of each unknown; 0 of the place and time of the apex.

    The presses, which speak of that time, are not among them.
    """
    count = ARC + setting.seen.scale[0].size
    mean, precision = np.zeros(count), np.ones(count)
    if setting.opened:
        mean[9:ARC] = -setting.priors.canopy_m_s, setting.priors.drag_m_s4
    else:
        mean[6] = setting.priors.drag_m_s4
    precision[:4], precision[4:ARC] = 0.0, prior_sigmas(setting) ** -2
    return mean, precision


def stations_of(unknown: Vector, setting: Setting) -> Vector:
    """Return the (F, S, 3) shifts in time and zeros in azimuth and elevation, in their own units."""
    return np.asarray(unknown[:, ARC:].reshape(setting.seen.scale.shape) * setting.seen.scale)


def _shown_s(unknown: Vector, setting: Setting) -> Vector:
    """Return when the model was where each sample shows it, (F, S, L)."""
    return np.asarray(setting.seen.time_s - setting.priors.lag_s + stations_of(unknown, setting)[..., :1])


def along(unknown: Vector, setting: Setting) -> Vector:
    """Return the (F, S, L, 3) places on the arc."""
    return np.stack(path(unknown, _shown_s(unknown, setting), setting.priors, opened=setting.opened).place, axis=-1)


class Misclosed(NamedTuple):
    """What the samples say against an arc, and the derivatives of what it predicts, before whitening."""

    residual: Vector  # (F, S, 2, L) over the tracking error, across and along
    gradient: tuple[Vector, Vector, Vector]  # (F, S, 2, L) per metre east, north, up of the model
    facing: Vector  # (F, S, L) what a zero in azimuth does to the residual across
    course: Course  # at the times of the samples, (F, S, 1, L)


def misclosed(unknown: Vector, setting: Setting) -> Misclosed:
    """Return the rows of samples at (F, P) unknowns."""
    seen = setting.seen
    shape = seen.time_s.shape
    course = path(unknown, _shown_s(unknown, setting)[:, :, None], setting.priors, opened=setting.opened)
    _, zero_a, zero_e = np.moveaxis(stations_of(unknown, setting)[..., None], 2, 0)
    sigma_a, sigma_e = (np.broadcast_to(s[..., None], shape) for s in (seen.sigma_azimuth_rad, seen.sigma_elevation_rad))
    place = np.broadcast_to(seen.station_m[:, :, None, :], (*shape, 3))
    lines = sightlines(
        (seen.azimuth_rad - zero_a).reshape(-1, 1), (seen.elevation_rad - zero_e).reshape(-1, 1),
        place.reshape(-1, 1, 3), sigma_a.reshape(-1, 1), sigma_e.reshape(-1, 1),
    )  # fmt: skip
    at = np.stack([axis.ravel() for axis in course.place])
    predicted = linearise(at, lines)
    seat = frame(at, lines)
    blurred2 = seat.level2 + lines.zenith_rad**2 * (seat.level2 + seat.up**2)
    facing = (seat.ahead / np.sqrt(np.maximum(blurred2, _TINY))).reshape(shape)

    def both(across: Vector, along: Vector) -> Vector:
        return np.stack([across.reshape(shape), along.reshape(shape)], axis=2)

    east, north, up = map(both, predicted.across_gradient, predicted.along_gradient)
    return Misclosed(both(predicted.across, predicted.along), (east, north, up), facing / sigma_a, course)


def rows(unknown: Vector, weight: Vector, setting: Setting) -> Vector:
    """Return the whitened rows of the samples as (F, S, 15, 2 L).

    The derivatives of what is predicted by the eleven unknowns of the arc and the three of the sample's own station; the residual
    last. By other stations' unknowns they are zero.
    """
    here, seen = misclosed(unknown, setting), setting.seen
    flights, stations, length = seen.time_s.shape
    whiten = _whitening(weight, seen.phi)
    every = np.zeros((flights, stations, _RESIDUAL + 1, 2, length))
    for column, by in enumerate(here.course.by):
        if by:
            whiten(sum((here.gradient[axis] * own for axis, own in by.items()), start=np.zeros(1)), every[:, :, column])
    scale = seen.scale[..., None, None]
    # a shift in time does what an earlier apex does, within its own station
    every[:, :, ARC] = -every[:, :, 3] * scale[:, :, 0]
    whiten((here.facing * scale[:, :, 1, 0])[:, :, None], every[:, :, ARC + 1, :1])
    lifted = (seen.scale[..., 2] / seen.sigma_elevation_rad)[..., None, None]
    whiten(np.broadcast_to(lifted, (flights, stations, 1, length)), every[:, :, ARC + 2, 1:])
    whiten(here.residual, every[:, :, _RESIDUAL])
    return every.reshape(flights, stations, _RESIDUAL + 1, 2 * length)


def _whitening(weight: Vector, phi: Vector) -> Callable[[Vector, Vector], None]:
    """Return what writes the weighed innovations of (F, S, C, L) series of unit variance; phi is 0 where a new one begins."""
    own = (weight / np.sqrt(1 - phi**2))[:, :, None]
    before = (own * phi[:, :, None])[..., 1:]

    def whiten(series: Vector, into: Vector) -> None:
        np.multiply(series, own, out=into)
        into[..., 1:] -= series[..., :-1] * before

    return whiten


def weights(unknown: Vector, setting: Setting) -> Vector:
    """Return the (F, S, L) weights of samples that the arc describes less well than they were held; 0 where there is none."""
    priors = setting.priors
    s = _shown_s(unknown, setting) - unknown[:, 3, None, None]
    range_m = np.linalg.norm(along(unknown, setting) - setting.seen.station_m[:, :, None, :], axis=-1)
    left_out = np.where(s < 0, priors.coast_m_s3 * np.abs(s) ** 3, priors.fall_m_s2 * s**2)
    relative = left_out / np.maximum(range_m, 1.0) / setting.seen.sigma_elevation_rad[..., None]
    return np.where(setting.seen.used, 1 / np.sqrt(1 + relative**2), 0.0)


def prior_sigmas(setting: Setting) -> Vector:
    """Return the sigmas of the priors of the arc's unknowns from 4; an idle one has 1, as the stations' have by their scale."""
    priors = setting.priors
    level = [priors.velocity_m_s] * 2
    if setting.opened:
        return np.array([*level, priors.climb_m_s, *[priors.sigma_canopy_m_s] * 3, priors.sigma_drag_m_s4])
    return np.array([*level, priors.sigma_drag_m_s4, *[priors.recovery_m_s2] * 3, 1.0])
