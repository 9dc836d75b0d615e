"""The least squares of the arcs: what the tracks of some flights say against what an arc predicts, and the way down.

Each observer's tube points where the model was a little earlier, and each clock is off by a little: one shift in time for each
station, with a prior. A lag common to all moves the time of the apex and nothing else. Unit zeros and survey errors do not average
out over a track; they are solved for with their priors too, so that the covariance holds them.

A tracking error lives for some tenths of a second (Ornstein-Uhlenbeck): samples are thinned to a fraction of that time and whitened
exactly as a first-order autoregression, x_i - phi x_(i-1) over sigma sqrt(1 - phi^2), phi = exp(-dt / tau).

The flights of a batch, F, are seen by the same number of stations, S; a track has L samples, the last of them empty where another's
is longer. Unknowns, P: ten of the arc, then for each station its shift in time and its zeros in azimuth and elevation, in sigmas.
"""

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from apexfix.model import Stamps, Vector
from apexfix.reduce.arc import ARC, TrackPriors, path
from apexfix.reduce.least_squares import sightlines
from apexfix.reduce.sightline import Mask, frame, linearise

SEARCHED: Final = 3
BY_SAMPLE: Final = 5  # the first columns of Seen have a value for each sample
_ITERATIONS: Final = 20
_REST: Final = 1e-3  # what a step may still promise to take off the sum of squares: a thirtieth of a sigma of anything solved for
_LEAST_DAMPING: Final = 1e-3
_RIDGE: Final = 1e-13  # of a scaled matrix: above rounding, below all that is known
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


class Rows(NamedTuple):
    """Whitened residuals, and the derivatives of what they predict; priors last."""

    residual: Vector  # (F, R)
    jacobian: Vector  # (F, R, P)

    @property
    def cost(self) -> Vector:
        """(F,) sums of squares."""
        return np.asarray(np.sum(self.residual**2, axis=1))


def rows(unknown: Vector, weight: Vector, setting: Setting) -> Rows:
    """Return the rows at (F, P) unknowns, with (F, S, L) weights of the samples."""
    residual, jacobian = misclosed(unknown, setting)
    flights, count = unknown.shape
    held, held_by = _prior_rows(unknown, setting)
    seen = (_whitened(residual, setting.seen.phi) * weight[..., None]).reshape(flights, -1)
    seen_by = (_whitened(jacobian, setting.seen.phi) * weight[..., None, None]).reshape(flights, -1, count)
    return Rows(np.concatenate([seen, held], axis=1), np.concatenate([seen_by, held_by], axis=1))


def stations_of(unknown: Vector, setting: Setting) -> Vector:
    """Return the (F, S, 3) shifts in time and zeros in azimuth and elevation, in their own units."""
    return np.asarray(unknown[:, ARC:].reshape(setting.seen.scale.shape) * setting.seen.scale)


def _shown_s(unknown: Vector, setting: Setting) -> Vector:
    """Return when the model was where each sample shows it, (F, S, L)."""
    return np.asarray(setting.seen.time_s - setting.priors.lag_s + stations_of(unknown, setting)[..., :1])


def along(unknown: Vector, setting: Setting) -> tuple[Vector, Vector]:
    """Return the (F, S, L, 3) places on the arc and their (F, S, L, 3, 10) derivatives."""
    shown_s = _shown_s(unknown, setting)
    position, by = path(unknown, shown_s.reshape(len(unknown), -1), setting.priors, opened=setting.opened)
    return position.reshape(*shown_s.shape, 3), by.reshape(*shown_s.shape, 3, ARC)


def misclosed(unknown: Vector, setting: Setting) -> tuple[Vector, Vector]:
    """Return (F, S, L, 2) residuals over the tracking error, across and along, and the derivatives of the predictions by P."""
    seen = setting.seen
    position, by = along(unknown, setting)
    _, zero_a, zero_e = np.moveaxis(stations_of(unknown, setting)[..., None], 2, 0)
    shape = seen.time_s.shape
    sigma_a, sigma_e = (np.broadcast_to(s[..., None], shape) for s in (seen.sigma_azimuth_rad, seen.sigma_elevation_rad))
    place = np.broadcast_to(seen.station_m[:, :, None, :], position.shape)
    lines = sightlines(
        (seen.azimuth_rad - zero_a).reshape(-1, 1), (seen.elevation_rad - zero_e).reshape(-1, 1),
        place.reshape(-1, 1, 3), sigma_a.reshape(-1, 1), sigma_e.reshape(-1, 1),
    )  # fmt: skip
    at = position.reshape(-1, 3).T
    predicted = linearise(at, lines)
    jacobian = np.zeros((*shape, 2, unknown.shape[1]))
    for axis, gradient in enumerate((predicted.across_gradient, predicted.along_gradient)):
        parts = (one.reshape(*shape, 1) * by[..., k, :] for k, one in enumerate(gradient))
        jacobian[..., axis, :ARC] = sum(parts, start=np.zeros(1))
    seat = frame(at, lines)
    blurred2 = seat.level2 + lines.zenith_rad**2 * (seat.level2 + seat.up**2)
    facing = (seat.ahead / np.sqrt(np.maximum(blurred2, _TINY))).reshape(shape)
    for k in range(shape[1]):
        scale, column = seen.scale[:, k, :, None], ARC + 3 * k
        # a shift in time does what an earlier apex does, within its own station
        jacobian[:, k, :, :, column] = -jacobian[:, k, :, :, 3] * scale[:, 0, :, None]
        jacobian[:, k, :, 0, column + 1] = facing[:, k] / sigma_a[:, k] * scale[:, 1]
        jacobian[:, k, :, 1, column + 2] = scale[:, 2] / sigma_e[:, k]
    return np.stack([predicted.across.reshape(shape), predicted.along.reshape(shape)], axis=-1), jacobian


def _whitened(series: Vector, phi: Vector) -> Vector:
    """Return the innovations of (F, S, L, ...) series of unit variance; phi is 0 where a new one begins."""
    phi = phi.reshape(*phi.shape, *(1,) * (series.ndim - phi.ndim))
    innovations = series / np.sqrt(1 - phi**2)
    innovations[:, :, 1:] -= series[:, :, :-1] * (phi / np.sqrt(1 - phi**2))[:, :, 1:]
    return innovations


def weights(unknown: Vector, setting: Setting) -> Vector:
    """Return the (F, S, L) weights of samples that the arc describes less well than they were held; 0 where there is none."""
    priors = setting.priors
    s = _shown_s(unknown, setting) - unknown[:, 3, None, None]
    range_m = np.linalg.norm(along(unknown, setting)[0] - setting.seen.station_m[:, :, None, :], axis=-1)
    left_out = np.where(s < 0, priors.coast_m_s3 * np.abs(s) ** 3, priors.fall_m_s2 * s**2)
    relative = left_out / np.maximum(range_m, 1.0) / setting.seen.sigma_elevation_rad[..., None]
    return np.where(setting.seen.used, 1 / np.sqrt(1 + relative**2), 0.0)


def prior_sigmas(setting: Setting) -> Vector:
    """Return the sigmas of the priors of unknowns 4 to 9; those of the stations are 1 by their scale."""
    priors = setting.priors
    level = [priors.velocity_m_s] * 2
    if setting.opened:
        return np.array([*level, priors.climb_m_s, *[priors.sigma_canopy_m_s] * 3])
    return np.array([*level, priors.sigma_drag_m_s4, *[priors.recovery_m_s2] * 3])


def _prior_rows(unknown: Vector, setting: Setting) -> tuple[Vector, Vector]:
    priors, (flights, stations) = setting.priors, setting.seen.press_s.shape
    count = unknown.shape[1]
    mean, sigma = np.zeros(count), np.ones(count)
    mean[6], mean[9] = (0.0, -priors.canopy_m_s) if setting.opened else (priors.drag_m_s4, 0.0)
    sigma[4:ARC] = prior_sigmas(setting)
    held = np.arange(4, count)
    jacobian = np.zeros((len(held) + stations, count))
    jacobian[np.arange(len(held)), held] = 1 / sigma[4:]
    jacobian[len(held) :, 3] = 1 / priors.press_s
    pressed = (setting.seen.press_s - priors.lag_s - unknown[:, 3:4]) / priors.press_s
    residual = np.concatenate([(mean - unknown)[:, 4:] / sigma[4:], pressed], axis=1)
    return residual, np.broadcast_to(jacobian, (flights, *jacobian.shape))


@dataclass(frozen=True, slots=True)
class _Descent:
    """Where some flights of a batch are on their way down."""

    flight: Stamps  # (G,) their numbers in the batch
    unknown: Vector  # (G, P)
    here: Rows
    damping: Vector  # (G,) of the scaled matrix, 0 at first
    growth: Vector  # (G,) what the damping grows by at the next failure

    def of(self, some: Mask) -> "_Descent":
        return _Descent(
            self.flight[some], self.unknown[some], Rows(self.here.residual[some], self.here.jacobian[some]),
            self.damping[some], self.growth[some],
        )  # fmt: skip


def down(unknown: Vector, weight: Vector, setting: Setting) -> tuple[Vector, Mask]:
    """Return the (F, P) unknowns where the sums of squares are least, and the (F,) flights whose way down came to rest.

    Levenberg and Marquardt's damping on scaled unknowns, steered by how much of the promised gain each step brings (H. B. Nielsen,
    Technical University of Denmark, report IMM-REP-1999-05; from memory).
    """
    unknown, rested = unknown.copy(), np.zeros(len(unknown), dtype=bool)
    all_of_them = np.arange(len(unknown))
    going = _Descent(all_of_them, unknown, rows(unknown, weight, setting), np.zeros(len(unknown)), np.full(len(unknown), 2.0))
    for _ in range(_ITERATIONS):
        full, step, promised = _steps(going)
        resting = np.sum(full.slope * full.step, axis=1) < _REST
        unknown[going.flight[resting]] += (full.step / full.size)[resting]
        rested[going.flight[resting]] = True
        going, step, promised = going.of(~resting), step[~resting], promised[~resting]
        if not len(going.flight):
            break
        there = rows(going.unknown + step, weight[going.flight], replace(setting, seen=setting.seen.of(going.flight)))
        gained = going.here.cost - there.cost
        # where an opening meets a sample the arc has a crease, and rests in it
        creased = (gained <= 0) & (promised < _REST)
        rested[going.flight[creased]] = True
        going = _stepped(going, step, there, gained / promised).of(~creased)
        unknown[going.flight] = going.unknown
        if not len(going.flight):
            break
    return unknown, rested


class _Full(NamedTuple):
    """Steps without damping, in scaled unknowns."""

    step: Vector  # (G, P)
    slope: Vector  # (G, P)
    size: Vector  # (G, P) of the scaling


def _steps(going: _Descent) -> tuple[_Full, Vector, Vector]:
    """Return the full steps, the (G, P) damped ones in their own units, and the (G,) gains that these promise."""
    across = going.here.jacobian.transpose(0, 2, 1)
    matrix = across @ going.here.jacobian
    size = np.sqrt(np.maximum(np.diagonal(matrix, axis1=1, axis2=2), _TINY))
    eye = np.eye(size.shape[1])
    scaled = matrix / (size[:, :, None] * size[:, None, :]) + _RIDGE * eye
    slope = (across @ going.here.residual[..., None])[..., 0] / size
    full = np.linalg.solve(scaled, slope[..., None])[..., 0]
    damping = going.damping[:, None]
    step = np.linalg.solve(scaled + damping[..., None] * eye, slope[..., None])[..., 0] if damping.any() else full
    return _Full(full, slope, size), step / size, np.sum(step * (slope + damping * step), axis=1)


def _stepped(going: _Descent, step: Vector, there: Rows, kept: Vector) -> _Descent:
    """Return the flights after a step, where it gained, with the damping of the next; `kept` is (G,) gained over promised."""
    better = kept > 0
    damping = going.damping * np.maximum(1 / 3, 1 - (2 * kept - 1) ** 3)
    damping = np.where(better, damping, np.maximum(going.damping * going.growth, _LEAST_DAMPING))
    return _Descent(
        flight=going.flight,
        unknown=going.unknown + np.where(better[:, None], step, 0.0),
        here=Rows(
            np.where(better[:, None], there.residual, going.here.residual),
            np.where(better[:, None, None], there.jacobian, going.here.jacobian),
        ),
        damping=np.where(better & (damping <= _LEAST_DAMPING), 0.0, damping),
        growth=np.where(better, 2.0, 2 * going.growth),
    )


def covariance(jacobian: Vector) -> Vector:
    """Return the inverses of the information of whitened rows, (F, P, P)."""
    size = np.sqrt(np.maximum(np.sum(jacobian**2, axis=1), _TINY))
    both = size[:, :, None] * size[:, None, :]
    inverse = np.linalg.inv(jacobian.transpose(0, 2, 1) @ jacobian / both + _RIDGE * np.eye(size.shape[1]))
    return np.asarray(inverse / both, dtype=np.float64)
