"""Is what a sensor felt at rest plausible: gravity about 1 g, no turning, figures that live, the right way up?"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np

from apexfix.install.findings import Finding, bad, good
from apexfix.model import Vector
from apexfix.records import Boot, Press, Window

# MPU-6050, the worse of the two classes: zero-g output within 80 mg and 3 % of scale, zero-rate output within 20 degrees/s
# (product specification PS-MPU-6000A, sections 6.1 and 6.2, from memory).
_GRAVITY_G: Final = (0.88, 1.12)
_TURNING_DPS: Final = 20.0
_MOVED_DPS: Final = 1.0  # twenty times the noise of such parts, and less than any hand
_CELSIUS: Final = (-20.0, 60.0)
_FEWEST_OF_EXPECTED: Final = 0.9
_AGAIN: Final = "leave the unit alone on a table and check again"
_UP: Final = 0.9  # of gravity along z: within 26 degrees of level


def at_rest(press: Press, windows: Sequence[Window], boot: Boot, wires: str) -> Iterator[Finding]:
    """Yield what the samples around a press say, taken while the unit lay the way it is aimed.

    Parameters
    ----------
    wires
        The sensor's wires in words, for what has to do with them.
    """
    expected = windows[0].total if windows else 0
    accel_g = _stacked([window.accel_counts for window in windows]) / _number(boot.value, "accel_lsb_per_g", 16384.0)
    gyro_dps = _stacked([window.gyro_counts for window in windows]) / _number(boot.value, "gyro_lsb_per_dps", 65.5)
    loose = f"something is loose: look at the wires: {wires}"
    if not expected or len(accel_g) < _FEWEST_OF_EXPECTED * expected:
        yield bad("samples", f"{len(accel_g)} of {expected} samples came", loose)
        return
    dead = [f"{what} {axis}" for what, of in (("accelerometer", accel_g), ("gyroscope", gyro_dps)) for axis in _dead_axes(of)]
    if dead:
        yield bad("samples", f"{', '.join(dead)} never changes", f"{loose}; if nothing is, take another sensor board")
    else:
        yield good("samples", f"{len(accel_g)} of {expected}")
    yield _gravity(accel_g)
    yield _turning(gyro_dps)
    yield _temperature(press.temperature_celsius)
    yield _way_up(np.array(boot.value["body_from_sensor"], dtype=float) @ accel_g.mean(axis=0))


def _stacked(parts: Sequence[Any]) -> Vector:
    return np.concatenate([np.empty((0, 3)), *parts])


def _number(value: Mapping[str, object], key: str, otherwise: float) -> float:
    number = value.get(key)
    return float(number) if isinstance(number, int | float) else otherwise


def _dead_axes(samples: Vector) -> list[str]:
    return [axis for axis, spread in zip("xyz", np.ptp(samples, axis=0), strict=True) if spread == 0]


def _gravity(accel_g: Vector) -> Finding:
    size_g = float(np.linalg.norm(accel_g.mean(axis=0)))
    low, high = _GRAVITY_G
    if low < size_g < high:
        return good("gravity", f"{size_g:.3f} g")
    return bad("gravity", f"{size_g:.3f} g, about 1 expected", f"{_AGAIN}; if it stays so, take another sensor board")


def _turning(gyro_dps: Vector) -> Finding:
    worst = float(np.abs(gyro_dps.mean(axis=0)).max())
    shaken = float(gyro_dps.std(axis=0).max())
    if shaken > _MOVED_DPS:
        return bad("gyroscope", f"it was moved: {shaken:.1f} degrees/s of unrest", _AGAIN)
    if worst > _TURNING_DPS:
        return bad("gyroscope", f"{worst:.1f} degrees/s at rest, {_TURNING_DPS:.0f} at most expected", "take another sensor board")
    return good("gyroscope", f"{worst:.2f} degrees/s at rest, {shaken:.2f} of noise")


def _temperature(celsius: float | None) -> Finding:
    low, high = _CELSIUS
    if celsius is not None and low <= celsius <= high:
        return good("temperature", f"{celsius:.1f} °C")
    saw = "unknown" if celsius is None else f"{celsius:.1f} °C"
    return bad("temperature", f"{saw}, {low:.0f} to {high:.0f} expected", "take another sensor board")


def _way_up(up_body: Vector) -> Finding:
    share = up_body / max(float(np.linalg.norm(up_body)), 1e-9)
    if share[2] > _UP:
        return good("way up", "gravity along the unit's z axis")
    axis = int(np.argmax(np.abs(share)))
    saw = f"up is along {'-' if share[axis] < 0 else '+'}{'xyz'[axis]} of the unit, +z expected"
    return bad("way up", saw, "lay it level, sensor upward; or tell the unit how its sensor lies: docs/build.md, section 6")
