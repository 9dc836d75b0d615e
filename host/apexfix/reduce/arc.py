"""One arc through all that the observers held in their tubes around the apex; nobody needs to press at the same time as another.

The arc, at *s* seconds after the apex, with the level velocity v there:

    level     apex + v s - k |v| v s^2 / 2                      + a s^2 / 2   after the apex
    up        apex - g s^2 / 2 + k |v| g s^3 / 6 + c s^3 |s|    + a s^2 / 2   after the apex

*c* is the first term of the series of a vertical coast with drag growing as the square of the speed, g^3 / (12 w^2) at the terminal
speed w; k = g / w^2 is the same drag on the level part. *a* stands for what the model does on its way down. Both are solved for
with priors. What the arc still leaves out grows away from the apex and takes weight from the samples there.

A recovery device may open within the track, before the top of the coast or after it. That is a second form of the arc, at *s*
seconds after the opening, with the velocity (v, w) just before it and (u, d) when the model hangs under its canopy:

    before    as above, with the top at s = w / g
    after     level     opening + u s + (v - u) tau (1 - exp(-s / tau))
              up        opening + d s + (w - d) tau (1 - exp(-s / tau))

The apex is the top of the coast where it opened later (w < 0), else the highest point a little after the opening. Both forms are
fitted; the answer is their mean, weighted by how likely each is.

Each observer's tube points where the model was a little earlier, and each clock is off by a little: one shift in time for each
station, with a prior. A lag common to all moves the time of the apex and nothing else. Unit zeros and survey errors do not average
out over a track; they are solved for with their priors too, so that the covariance holds them.

A tracking error lives for some tenths of a second (Ornstein-Uhlenbeck): samples are thinned to a fraction of that time and whitened
exactly as a first-order autoregression, x_i - phi x_(i-1) over sigma sqrt(1 - phi^2), phi = exp(-dt / tau).
"""

from dataclasses import dataclass
from typing import Final, NamedTuple, TypeVar

import numpy as np

from apexfix.model import Stamps, Vector
from apexfix.reduce.least_squares import sightlines
from apexfix.reduce.sightline import frame, linearise
from apexfix.units import DEG, STANDARD_GRAVITY


@dataclass(frozen=True, slots=True)
class TrackPriors:
    """What is believed about observers and models before a track is seen. All sigmas are of normal distributions."""

    tracking_rad: float = 0.3 * DEG  # of a held direction on the sky, each axis; a station's own elevation sigma goes first
    correlation_s: float = 0.5  # how long a tracking error lives
    aim_rad: float = 0.15 * DEG  # of a habit that lasts a whole track, each axis: aiming high, running ahead of what slows down
    lag_s: float = 0.2  # by how much a tube trails what it follows
    sigma_lag_s: float = 0.1
    press_s: float = 0.4  # of a press about the apex, reaction time included
    velocity_m_s: float = 15.0  # per axis, level, at the apex
    drag_m_s4: float = 0.02  # the c of the module's text: a terminal speed of 60 m/s
    sigma_drag_m_s4: float = 0.02
    recovery_m_s2: float = 4.0  # per axis, what a recovery device adds after the apex
    opening_share: float = 0.5  # of models whose recovery device opens within a track; delays come in whole seconds
    climb_m_s: float = 6.0  # at the opening; negative where it comes late
    canopy_m_s: float = 4.0  # rate of descent under the canopy
    sigma_canopy_m_s: float = 3.0  # of it, and per axis of the drift there
    canopy_s: float = 0.2  # the tau of the module's text
    coast_m_s3: float = 0.01  # what the arc leaves out before the apex, times |s|^3
    fall_m_s2: float = 0.5  # and after it, times s^2


_ITERATIONS: Final = 20
_REST: Final = 1e-3  # what a step may still promise to take off the sum of squares: a thirtieth of a sigma of anything solved for
_LEAST_DAMPING: Final = 1e-3
_RIDGE: Final = 1e-13  # of a scaled matrix: above rounding, below all that is known
_TINY: Final = 1e-12
_K_PER_C: Final = 12 / STANDARD_GRAVITY**2  # k = g / w^2 over c = g^3 / (12 w^2)
_LEVEL: Final = np.eye(2)
_AXES: Final = np.arange(3)
_CLIMB: Final = _AXES + 4
_RECOVERY: Final = _AXES + 7
_Number = TypeVar("_Number", float, Vector)
ARC: Final = 10  # parameters of the arc: apex 3, time 1, velocity 2, drag 1, recovery 3; then 3 for each station


class Samples(NamedTuple):
    """Thinned samples of all stations, one after the other."""

    row: Stamps  # (M,) number of the station
    time_s: Vector  # (M,) from the common origin
    azimuth_rad: Vector
    elevation_rad: Vector
    station_m: Vector  # (M, 3)
    sigma_azimuth_rad: Vector
    sigma_elevation_rad: Vector
    phi: Vector  # (M,) correlation with the sample before it, 0 at the first


class Setting(NamedTuple):
    """Everything that stays the same while a fit goes down."""

    samples: Samples
    priors: TrackPriors
    scale: Vector  # (S, 3) sigma of the shift in time and of the zeros in azimuth and elevation
    press_s: Vector  # (S,) when they pressed, from the common origin
    opened: bool = False  # the second form of the arc


def _arc(unknown: Vector, time_s: Vector, setting: Setting) -> tuple[Vector, Vector]:
    """Return (M, 3) positions at times, and their (M, 3, 10) derivatives; the one by unknown 3 is minus that by the time."""
    return _opening(unknown, time_s, setting.priors) if setting.opened else _coasting(unknown, time_s)


def _coasting(unknown: Vector, time_s: Vector) -> tuple[Vector, Vector]:
    """Unknowns: apex 3, its time, level velocity 2, drag, recovery 3."""
    s = time_s - unknown[3]
    fallen = np.maximum(s, 0.0)
    v, c = unknown[4:6], float(unknown[6])
    speed, k = _speed(unknown), _K_PER_C * c
    squared, lift = s * s, _K_PER_C * STANDARD_GRAVITY / 6 * s**3
    steep = np.abs(s) ** 3
    by = _places(len(s))
    by[:, :2, 4:6] = s[:, None, None] * _LEVEL - (0.5 * k * squared)[:, None, None] * _turning(unknown)
    by[:, 2, 4:6] = (c * lift)[:, None] * (v / max(speed, _TINY))
    by[:, :2, 6] = (-0.5 * _K_PER_C * speed * squared)[:, None] * v
    by[:, 2, 6] = s * steep + speed * lift
    by[:, _AXES, _RECOVERY] = (fallen * fallen / 2)[:, None]
    position = unknown[:3] + by[:, _AXES, _RECOVERY] * unknown[7:10]
    position[:, :2] += (s - 0.5 * k * speed * squared)[:, None] * v
    position[:, 2] += c * by[:, 2, 6] - STANDARD_GRAVITY / 2 * squared
    velocity = fallen[:, None] * unknown[7:10]
    velocity[:, :2] += (1 - k * speed * s)[:, None] * v
    velocity[:, 2] += 4 * c * steep + 0.5 * k * speed * STANDARD_GRAVITY * squared - STANDARD_GRAVITY * s
    by[:, :, 3] = -velocity
    return position, by


def _opening(unknown: Vector, time_s: Vector, priors: TrackPriors) -> tuple[Vector, Vector]:
    """Unknowns: opening 3, its time, level velocity 2 and climb before it, velocity 3 under the canopy."""
    s = time_s - unknown[3]
    before, after = np.minimum(s, 0.0), np.maximum(s, 0.0)
    squared = before * before
    fading = np.exp(-after / priors.canopy_s)
    run = priors.canopy_s * (1 - fading)  # how far a unit of speed carries on after the opening
    v, speed, k = unknown[4:6], _speed(unknown), _K_PER_C * priors.drag_m_s4
    by = _places(len(s))
    by[:, _AXES, _CLIMB] = (before + run)[:, None]
    by[:, _AXES, _RECOVERY] = (after - run)[:, None]
    position = by @ unknown[:ARC]
    by[:, :2, 4:6] -= (0.5 * k * squared)[:, None, None] * _turning(unknown)
    position[:, :2] -= (0.5 * k * speed * squared)[:, None] * v
    # the drag of the climb, counted from the top of the coast; what it does to place and speed at the opening is in those unknowns
    top = float(unknown[6]) / STANDARD_GRAVITY
    held, slope, _ = _drag_up(before - top, priors.drag_m_s4)
    held_0, slope_0, bend_0 = _drag_up(-top, priors.drag_m_s4)
    lift = k * STANDARD_GRAVITY * (before / 6 - top / 2) * squared
    position[:, 2] += held - held_0 - slope_0 * before + speed * lift - STANDARD_GRAVITY / 2 * squared
    by[:, 2, 4:6] = lift[:, None] * (v / max(speed, _TINY))
    by[:, 2, 6] += (bend_0 * before - slope + slope_0) / STANDARD_GRAVITY - 0.5 * k * speed * squared
    velocity = unknown[7:10] + (unknown[4:7] - unknown[7:10]) * fading[:, None]
    velocity[:, :2] -= (k * speed * before)[:, None] * v
    velocity[:, 2] += slope - slope_0 + STANDARD_GRAVITY * (k * speed * (squared / 2 - top * before) - before)
    by[:, :, 3] = -velocity
    return position, by


def _places(count: int) -> Vector:
    """Return (M, 3, 10) derivatives by the place alone."""
    by = np.zeros((count, 3, ARC))
    by[:, _AXES, _AXES] = 1.0
    return by


def _speed(unknown: Vector) -> float:
    return float(np.hypot(unknown[4], unknown[5]))


def _turning(unknown: Vector) -> Vector:
    """Return the (2, 2) derivatives of |v| v by v."""
    v, speed = unknown[4:6], _speed(unknown)
    return np.asarray(speed * _LEVEL + v[:, None] * v / max(speed, _TINY))


def _drag_up(s: _Number, c: float) -> tuple[_Number, _Number, _Number]:
    """Return c s^3 |s| and its first two derivatives."""
    bend = 12 * c * s * abs(s)
    return bend * s * s / 12, bend * s / 3, bend


def highest(unknown: Vector, setting: Setting) -> tuple[Vector, float]:
    """Return the (3,) apex and its time."""
    if not setting.opened:
        return unknown[:3].copy(), float(unknown[3])
    climb, descent = float(unknown[6]), max(-float(unknown[9]), 0.1)
    later = climb / STANDARD_GRAVITY if climb < 0 else setting.priors.canopy_s * float(np.log1p(climb / descent))
    position = _arc(unknown, unknown[3:4] + later, setting)[0][0]
    return position, float(unknown[3]) + later


def highest_gradient(unknown: Vector, setting: Setting) -> Vector:
    """Return the (4, P) derivatives of the apex and its time by the unknowns."""
    gradient = np.zeros((4, len(unknown)))
    gradient[[0, 1, 2, 3], [0, 1, 2, 3]] = 1.0
    if setting.opened:
        for column in range(4, ARC):
            step = np.zeros(len(unknown))
            step[column] = 1e-4
            (above, late), (below, soon) = highest(unknown + step, setting), highest(unknown - step, setting)
            gradient[:, column] = np.append(above - below, late - soon) / 2e-4
    return gradient


def rows(unknown: Vector, weight: Vector, setting: Setting) -> tuple[Vector, Vector]:
    """Return whitened (2 M + priors,) residuals and the (2 M + priors, P) derivatives of what they predict."""
    residual, jacobian = misclosed(unknown, setting)
    phi = setting.samples.phi
    prior_residual, prior_jacobian = _prior_rows(unknown, setting)
    return (
        np.concatenate([(_whitened(residual, phi) * weight).ravel(), prior_residual]),
        np.concatenate([(_whitened(jacobian, phi) * weight[..., None]).reshape(-1, len(unknown)), prior_jacobian]),
    )


def _shifts(unknown: Vector, setting: Setting) -> tuple[Vector, Vector, Vector]:
    """Return when the model was where each sample shows it, and the zeros in each, all (M,)."""
    shift, zero_a, zero_e = (unknown[ARC:].reshape(-1, 3) * setting.scale)[setting.samples.row].T
    return setting.samples.time_s - setting.priors.lag_s + shift, zero_a, zero_e


def misclosed(unknown: Vector, setting: Setting) -> tuple[Vector, Vector]:
    """Return (M, 2) residuals over the tracking error, across and along, and the (M, 2, P) derivatives of the predictions."""
    samples, scale = setting.samples, setting.scale
    time_s, zero_a, zero_e = _shifts(unknown, setting)
    position, by = _arc(unknown, time_s, setting)
    sigma_a, sigma_e = samples.sigma_azimuth_rad, samples.sigma_elevation_rad
    lines = sightlines(
        (samples.azimuth_rad - zero_a)[:, None], (samples.elevation_rad - zero_e)[:, None], samples.station_m[:, None],
        sigma_a[:, None], sigma_e[:, None],
    )  # fmt: skip
    seen = linearise(position.T, lines)
    gradient = np.stack([np.concatenate(seen.across_gradient, axis=1), np.concatenate(seen.along_gradient, axis=1)], axis=1)
    jacobian = np.zeros((len(samples.row), 2, len(unknown)))
    jacobian[..., :ARC] = gradient @ by
    column, each = ARC + 3 * samples.row, np.arange(len(samples.row))
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


def weights(unknown: Vector, setting: Setting) -> Vector:
    """Return the (M, 1) weights of samples that the arc describes less well than they were held."""
    priors = setting.priors
    time_s = _shifts(unknown, setting)[0]
    s = time_s - unknown[3]
    range_m = np.linalg.norm(_arc(unknown, time_s, setting)[0] - setting.samples.station_m, axis=1)
    left_out = np.where(s < 0, priors.coast_m_s3 * np.abs(s) ** 3, priors.fall_m_s2 * s**2)
    relative = left_out / np.maximum(range_m, 1.0) / setting.samples.sigma_elevation_rad
    return np.asarray(1 / np.sqrt(1 + relative**2))[:, None]


def prior_sigmas(setting: Setting) -> Vector:
    """Return the sigmas of the priors of unknowns 4 to 9; those of the stations are 1 by their scale."""
    priors = setting.priors
    level = [priors.velocity_m_s] * 2
    if setting.opened:
        return np.array([*level, priors.climb_m_s, *[priors.sigma_canopy_m_s] * 3])
    return np.array([*level, priors.sigma_drag_m_s4, *[priors.recovery_m_s2] * 3])


def _prior_rows(unknown: Vector, setting: Setting) -> tuple[Vector, Vector]:
    priors, stations = setting.priors, len(setting.scale)
    mean, sigma = np.zeros(len(unknown)), np.ones(len(unknown))
    mean[6], mean[9] = (0.0, -priors.canopy_m_s) if setting.opened else (priors.drag_m_s4, 0.0)
    sigma[4:ARC] = prior_sigmas(setting)
    held = np.arange(4, len(unknown))
    jacobian = np.zeros((len(held) + stations, len(unknown)))
    jacobian[np.arange(len(held)), held] = 1 / sigma[4:]
    jacobian[len(held) :, 3] = 1 / priors.press_s
    pressed = (setting.press_s - priors.lag_s - unknown[3]) / priors.press_s
    return np.concatenate([(mean - unknown)[4:] / sigma[4:], pressed]), jacobian


def descended(unknown: Vector, setting: Setting, looks: int) -> tuple[Vector, Vector, bool]:
    """Return the unknowns, the weights that they were found with, and whether the last way down came to rest.

    Parameters
    ----------
    looks : how often to weigh the samples anew; the weights follow the arc, and the first look knows it to a fraction of its sigma
    """
    for _ in range(looks):
        weight = weights(unknown, setting)
        unknown, converged = down(unknown, weight, setting)
    return unknown, weight, converged


def down(unknown: Vector, weight: Vector, setting: Setting) -> tuple[Vector, bool]:
    """Return where the sum of squares is least, and whether the way down came to rest.

    Levenberg and Marquardt's damping on scaled unknowns, steered by how much of the promised gain each step brings (H. B. Nielsen,
    Technical University of Denmark, report IMM-REP-1999-05; from memory).
    """
    damping, growth = 0.0, 2.0
    residual, jacobian = rows(unknown, weight, setting)
    for _ in range(_ITERATIONS):
        matrix = jacobian.T @ jacobian
        size = np.sqrt(np.maximum(np.diag(matrix), _TINY))
        scaled, slope = matrix / np.outer(size, size) + _RIDGE * np.eye(len(size)), jacobian.T @ residual / size
        step = np.linalg.solve(scaled, slope)
        if step @ slope < _REST:
            return unknown + step / size, True
        if damping:
            step = np.linalg.solve(scaled + damping * np.eye(len(size)), slope)
        promised = float(step @ slope + damping * step @ step)
        trial = rows(unknown + step / size, weight, setting)
        gained = float(residual @ residual - trial[0] @ trial[0])
        if gained > 0:
            unknown, (residual, jacobian) = unknown + step / size, trial
            damping, growth = damping * max(1 / 3, 1 - (2 * gained / promised - 1) ** 3), 2.0
            damping = damping if damping > _LEAST_DAMPING else 0.0
        elif promised < _REST:  # where an opening meets a sample the arc has a crease, and rests in it
            return unknown, True
        else:
            damping, growth = max(damping * growth, _LEAST_DAMPING), 2 * growth
    return unknown, False


def covariance(jacobian: Vector) -> Vector:
    """Return the inverse of the information of whitened rows, (P, P)."""
    size = np.sqrt(np.maximum(np.sum(jacobian**2, axis=0), _TINY))
    inverse = np.linalg.inv(jacobian.T @ jacobian / np.outer(size, size) + _RIDGE * np.eye(len(size)))
    return np.asarray(inverse / np.outer(size, size), dtype=np.float64)
