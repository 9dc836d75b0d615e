"""Which way a unit truly pointed around a press: its raw samples seen as a whole, afterwards.

A filter on the unit must tell a hand's acceleration from gravity at once, with the past alone. Here every window is one adjustment:
the gyroscope gives the turns inside the window, and the accelerometer says where up is, all samples together. Unknown are the tilt,
with a slow wander that stands for the gyroscope's scale; the gyroscope's offset; and the lever arm from the point about which the
observer turns the unit, because a unit at arm's length that follows a falling model feels the fall of the hand, always to the same
side. The heading stays that which the unit had at the press.

Gauss-Newton with a prior; all windows of equal shape at once. Frames: docs/conventions.md.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from apexfix.attitude import Stretch, integrated, matrices, product, quaternions, turned, upright_turn
from apexfix.model import Vector
from apexfix.units import DEG, US

# Common practice, checked against simulated observers and a recorded trial; no sources.
SIGMA_FORCE_G_ROOT_S: Final = 0.005  # a hand's own acceleration, as the sigma of its mean over one second
SIGMA_OFFSET_RAD_S: Final = 0.03 * DEG  # a still offset, once the part is warm and turned over
SIGMA_ARM_M: Final = 0.3  # from an elbow, a shoulder or a neck
SIGMA_WALK_RAD_ROOT_S: Final = 0.02 * DEG  # of the gyroscope alone, at rest
SIGMA_LOST_RAD_S: Final = 30.0 * DEG  # how a hand may have turned where samples are missing
_CALM_G: Final = 0.33  # samples further from one g than this do not know where up is
_LEAST_CALM: Final = 0.5  # of a window's samples
_KNOT_S: Final = 1.0  # between the places where the tilt may wander
_BLOCK_S: Final = 0.05  # samples that meet gravity together; a hand does not get far in it
_HALF_RATE_S: Final = 0.015  # the angular acceleration is taken over twice this: shorter is noise, longer smears a hand's jerk
_LONGEST_STEP_S: Final = 0.05
_CLOSE_RAD: Final = 1e-4  # the change after one so small is a hundredth of it
_PASSES: Final = 20
_AT_ONCE: Final = 20_000  # samples: what a processor's cache holds
_GRAVITY_M_S2: Final = 9.80665
_UP: Final = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True)
class Smoothed:
    """The attitudes of one window."""

    attitude_wxyz: Vector  # (N, 4) level_from_body
    sigma_tilt_rad: float  # of each level axis at the press; infinite where gravity was not felt and the unit's own attitude stands
    offset_rad_s: Vector  # (3,) what the gyroscope read beyond its still offset, body axes
    arm_m: Vector  # (3,) from the point that the unit turned about to the sensor, body axes


class _Shape(NamedTuple):
    """What windows must share to be solved together."""

    samples: int
    knots: int
    block: int  # samples in a block
    half: int  # samples over which the rate is differenced, each way


class _Blocks(NamedTuple):
    """What the blocks of W windows feel before the tilt and the offset are known, in level axes."""

    felt: Vector  # (W, B, 3) mean force, g
    swung: Vector  # (W, B, 3, 3) the force of a lever arm of one metre along each body axis
    integral: Vector  # (W, B, 3, 3) of the attitude from the press to the middle: what an offset does to it


@dataclass(frozen=True, slots=True)
class _Stack:
    """W windows of one shape."""

    shape: _Shape
    time_s: Vector  # (W, N) from the press
    rate_rad_s: Vector  # (W, N, 3)
    force_g: Vector  # (W, N, 3)
    calm: Vector  # (W, N) how much of its block's mean a sample makes; zero where it does not know up
    weight: Vector  # (W, B) of each component of a block's mean force, 1 / g squared
    anchor: NDArray[np.intp]  # (W,) sample nearest to the press
    begun_wxyz: Vector  # (W, N, 4) the unit's own attitude, carried by the gyroscope
    sigma_turn: Vector  # (W,)


def smoothed(stretches: Sequence[Stretch]) -> tuple[Smoothed, ...]:
    """Return the attitudes of every window, in the order given.

    A window whose accelerometer was not near one g for half of its samples keeps the unit's own attitude, carried by the gyroscope.
    """
    alike: dict[tuple[_Shape, bool], list[int]] = defaultdict(list)
    for index, one in enumerate(stretches):
        alike[_shape(one), len(one.t_us) > 1 and bool(np.mean(_calm(one.force_g)) >= _LEAST_CALM)].append(index)
    found: dict[int, Smoothed] = {}
    for (shape, felt), members in alike.items():
        most = max(1, _AT_ONCE // shape.samples)
        for first in range(0, len(members), most):
            some = members[first : first + most]
            stack = _stack(shape, [stretches[index] for index in some])
            found.update(zip(some, _solved(stack) if felt else _unfelt(stack), strict=True))
    return tuple(found[index] for index in range(len(stretches)))


def _unfelt(stack: _Stack) -> list[Smoothed]:
    return [Smoothed(own, np.inf, np.zeros(3), np.zeros(3)) for own in stack.begun_wxyz]


def mean_force_g(stretch: Stretch, within_us: int) -> Vector:
    """Return the mean specific force (3,) about a press, zero where most samples do not know where up is."""
    force = stretch.force_g[np.abs(stretch.t_us - stretch.at_us) <= within_us]
    calm = _calm(force)
    return force[calm].mean(axis=0) if np.mean(calm) >= _LEAST_CALM else np.zeros(3)


def _calm(force_g: Vector) -> NDArray[np.bool_]:
    return np.asarray(np.abs(np.linalg.norm(force_g, axis=-1) - 1.0) < _CALM_G)


def _shape(one: Stretch) -> _Shape:
    samples = len(one.t_us)
    long_s = float(one.t_us[-1] - one.t_us[0]) * US
    step_s = long_s / max(samples - 1, 1)
    if step_s == 0.0:
        return _Shape(samples, 0, 1, 1)
    knots = min(max(2, round(long_s / _KNOT_S) + 1), samples)
    return _Shape(samples, knots, max(1, round(_BLOCK_S / step_s)), max(1, round(_HALF_RATE_S / step_s)))


def _stack(shape: _Shape, members: Sequence[Stretch]) -> _Stack:
    time_s = np.array([(one.t_us - one.at_us) * US for one in members])
    rate_rad_s = np.array([one.rate_rad_s for one in members])
    force_g = np.array([one.force_g for one in members])
    calm = _calm(force_g).astype(np.float64)
    count = _block_sums(shape, calm)
    step_s = (time_s[:, -1:] - time_s[:, :1]) / max(shape.samples - 1, 1)  # a sample counts as one, whatever its stamp's jitter
    return _Stack(
        shape=shape,
        time_s=time_s,
        rate_rad_s=rate_rad_s,
        force_g=force_g,
        begun_wxyz=integrated(time_s, rate_rad_s, np.array([one.attitude_wxyz for one in members])),
        calm=calm / np.repeat(np.maximum(count, 1.0), shape.block, axis=1)[:, : shape.samples],
        weight=count * step_s / SIGMA_FORCE_G_ROOT_S**2,
        anchor=np.argmin(np.abs(time_s), axis=1),
        sigma_turn=np.array([one.sigma_turn for one in members]),
    )


def _solved(stack: _Stack) -> list[Smoothed]:
    knots = stack.shape.knots
    hat = _hat(stack.shape)
    prior = _prior(stack)
    blocks, wxyz = _upright(stack)
    values = np.zeros((len(prior), 2 * knots + 6))
    normal = prior
    for _ in range(_PASSES):
        normal, right = _equations(stack, blocks, hat[_middles(stack.shape)], values)
        normal = normal + prior
        change = np.linalg.solve(normal, (right - (prior @ values[..., None])[..., 0])[..., None])[..., 0]
        values = values + change
        if np.max(np.abs(change[:, : 2 * knots])) < _CLOSE_RAD:
            break
    drifted = _between(stack.shape, np.arange(stack.shape.samples)[None], _drifted(values, blocks))
    wxyz = product(quaternions(_leaning(values, hat) + drifted), wxyz)
    sigma = _sigma_tilt(np.asarray(np.linalg.inv(normal), dtype=np.float64), hat[stack.anchor])
    return [Smoothed(own, float(s), each[-6:-3], each[-3:]) for own, s, each in zip(wxyz, sigma, values, strict=True)]


def _hat(shape: _Shape) -> Vector:
    """Return (N, K): how much of each knot's tilt a sample has, by straight lines between knots."""
    place = np.linspace(0.0, shape.knots - 1.0, shape.samples)
    return np.clip(1.0 - np.abs(place[:, None] - np.arange(shape.knots)), 0.0, 1.0)


def _lever(stack: _Stack) -> Vector:
    """Return (W, B, 3, 3): the mean force of a block in g, in body axes, that a lever arm of one metre along each axis brings.

    The acceleration of a point of a turning body: w' x r + w x (w x r), where w x (w x r) = w (w r) - r (w w).
    """
    half = stack.shape.half
    index = np.arange(stack.shape.samples)
    later, earlier = np.minimum(index + half, index[-1]), np.maximum(index - half, 0)
    over_s = stack.time_s[:, later] - stack.time_s[:, earlier]
    rate, counted = stack.rate_rad_s, (stack.calm / _GRAVITY_M_S2)[..., None]
    faster = _block_sums(stack.shape, (rate[:, later] - rate[:, earlier]) * (counted / over_s[..., None]))
    spin = _block_sums(stack.shape, (rate * counted)[..., :, None] * rate[..., None, :])
    return np.asarray(_cross(faster) + spin - np.trace(spin, axis1=-2, axis2=-1)[..., None, None] * np.eye(3))


def _prior(stack: _Stack) -> Vector:
    """Return (W, P, P): what is known before gravity is felt. P: two of tilt at each knot, offset, arm."""
    knots = stack.shape.knots
    known = np.zeros((len(stack.time_s), 2 * knots + 6, 2 * knots + 6))
    for knot, weight in enumerate(1.0 / _wander(stack).T):
        for axis in (2 * knot, 2 * knot + 1):
            known[:, axis, axis] += weight
            known[:, axis + 2, axis + 2] += weight
            known[:, axis, axis + 2] -= weight
            known[:, axis + 2, axis] -= weight
    for one in range(3):
        known[:, 2 * knots + one, 2 * knots + one] = SIGMA_OFFSET_RAD_S**-2
        known[:, 2 * knots + 3 + one, 2 * knots + 3 + one] = SIGMA_ARM_M**-2
    return known


def _wander(stack: _Stack) -> Vector:
    """Return (W, K - 1): the variance of the tilt from knot to knot, from time, turns and missing samples."""
    step_s = np.diff(stack.time_s, axis=1)
    turned = np.linalg.norm(stack.rate_rad_s[:, 1:], axis=2) * step_s
    lost = np.where(step_s > _LONGEST_STEP_S, step_s, 0.0) * SIGMA_LOST_RAD_S
    place = np.linspace(0.0, stack.shape.knots - 1.0, stack.shape.samples)[:-1]
    first = np.searchsorted(place, np.arange(stack.shape.knots - 1))
    time_s, turned, lost = (np.add.reduceat(each, first, axis=1) for each in (step_s, turned, lost))
    return np.asarray(SIGMA_WALK_RAD_ROOT_S**2 * time_s + (stack.sigma_turn[:, None] * turned) ** 2 + lost**2)


def _upright(stack: _Stack) -> tuple[_Blocks, Vector]:
    """Return what the blocks feel, and the attitudes (W, N, 4), upright as a whole.

    Each window is turned by the shortest way so that its mean force points up.
    """
    felt = _block_sums(stack.shape, turned(stack.begun_wxyz, stack.force_g * stack.calm[..., None]))
    turn = upright_turn((stack.weight[:, None] @ felt)[:, 0])[:, None]
    wxyz, middle = product(turn, stack.begun_wxyz), _middles(stack.shape)
    matrix = matrices(wxyz[:, middle])
    return _Blocks(turned(turn, felt), matrix @ _lever(stack), _integral(stack, matrix)), wxyz


def _equations(stack: _Stack, blocks: _Blocks, hat: Vector, values: Vector) -> tuple[Vector, Vector]:
    """Return normal matrix (W, P, P) and right side (W, P) about some values of the unknowns (W, P).

    The force was turned upright sample by sample; what the unknowns do to it is smooth, and taken in the middle of each block.
    """
    vector = _leaning(values, hat) + _drifted(values, blocks)
    turn = matrices(quaternions(vector))
    felt, swung = (turn @ blocks.felt[..., None])[..., 0], turn @ blocks.swung
    cross = _cross(felt) @ (np.eye(3) + 0.5 * _cross(vector))  # what more of a turn does after it, to first order
    tilt = hat[:, None, :, None] * -cross[..., None, :2]
    rows = np.concatenate([tilt.reshape(*tilt.shape[:3], -1), cross @ blocks.integral, -swung], axis=3)
    misfit = felt - _UP - (swung @ values[:, None, -3:, None])[..., 0]
    flat = rows.reshape(len(rows), -1, rows.shape[3])
    weighted = np.swapaxes(flat * np.repeat(stack.weight, 3, axis=1)[..., None], 1, 2)
    return weighted @ flat, -(weighted @ misfit.reshape(len(rows), -1, 1))[..., 0]


def _block_sums(shape: _Shape, values: Vector) -> Vector:
    """Return sums (W, B, ...) over the blocks of (W, N, ...)."""
    return np.asarray(np.add.reduceat(values, np.arange(0, shape.samples, shape.block), axis=1))


def _middles(shape: _Shape) -> NDArray[np.intp]:
    """Return the sample in the middle of each block (B,)."""
    return np.minimum(np.arange(0, shape.samples, shape.block) + shape.block // 2, shape.samples - 1)


def _between(shape: _Shape, places: NDArray[np.intp], values: Vector) -> Vector:
    """Return (W, M, ...) at samples (W or 1, M), by straight lines between values (W, B, ...) in the middles of the blocks."""
    middle = _middles(shape)
    if len(middle) == 1:
        return values
    low = np.clip(np.searchsorted(middle, places, side="right") - 1, 0, len(middle) - 2)
    share = ((places - middle[low]) / (middle[low + 1] - middle[low])).reshape(*places.shape, *(1,) * (values.ndim - 2))
    window = np.arange(len(values))[:, None]
    first = values[window, low]
    return np.asarray(first + share * (values[window, low + 1] - first))


def _integral(stack: _Stack, matrix: Vector) -> Vector:
    """Return the integrals (W, B, 3, 3) of the attitudes (W, B, 3, 3) in the middles of the blocks, from the press on.

    They serve to turn an offset of hundredths of a degree a second: how a hand moved within a block does not matter.
    """
    step_s = np.diff(stack.time_s[:, _middles(stack.shape)], axis=1)[..., None, None]
    summed = np.zeros_like(matrix)
    np.cumsum(0.5 * (matrix[:, 1:] + matrix[:, :-1]) * step_s, axis=1, out=summed[:, 1:])
    return summed - _between(stack.shape, stack.anchor[:, None], summed)


def _drifted(values: Vector, blocks: _Blocks) -> Vector:
    """Return the rotation vectors (W, B, 3) in level axes that the offset brings."""
    return np.asarray(-(blocks.integral @ values[:, None, -6:-3, None])[..., 0])


def _leaning(values: Vector, hat: Vector) -> Vector:
    """Return the rotation vectors (W, M, 3) in level axes that the tilt brings at M places of a window."""
    windows, knots = len(values), hat.shape[1]
    vector = np.zeros((windows, len(hat), 3))
    vector[..., :2] = hat @ values[:, : 2 * knots].reshape(windows, knots, 2)
    return vector


def _sigma_tilt(covariance: Vector, hat: Vector) -> Vector:
    """Return (W,) from the covariance of all unknowns and each knot's share (W, K) in the press."""
    knots = hat.shape[1]
    both = covariance[:, : 2 * knots, : 2 * knots].reshape(-1, knots, 2, knots, 2)
    return np.asarray(np.sqrt(np.einsum("wk,wkalb,wl,ab->w", hat, both, hat, np.eye(2)) / 2.0))


def _cross(vector: Vector) -> Vector:
    """Return the matrices (..., 3, 3) that give the cross product with vectors (..., 3)."""
    x, y, z = np.moveaxis(vector, -1, 0)
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(*vector.shape, 3)
