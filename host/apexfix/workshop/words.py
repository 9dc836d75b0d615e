"""What a step found, in sentences for the builder."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from apexfix.calibrate.adjustment import Elevations
from apexfix.calibrate.allan import Noise
from apexfix.calibrate.check import Checked
from apexfix.calibrate.encoder import Eccentricity, EccentricityFit
from apexfix.calibrate.field_test import FieldTest, Spread
from apexfix.calibrate.gyro import GyroMatrix
from apexfix.calibrate.stand import StandAxis
from apexfix.calibrate.target import Target
from apexfix.geometry import wrapped
from apexfix.units import DEG

_AXES: Final = "xyz"
_HIGH_RAD: Final = 60.0 * DEG
_UNSIGHTED_RAD: Final = 1.0 * DEG  # no sighting leaves so much, the tube's mounting alone does


def of_elevations(found: Elevations, poses: int) -> str:
    """Return what the poses gave."""
    lines = [
        f"{poses} still poses; what they leave is worth {found.residual_rad / DEG:.3f}° of elevation.",
        f"Elevations between 0° and 85° are known to {found.sigma_zero_rad / DEG:.3f}° (one sigma).",
    ]
    if found.sigma_zero_rad > _UNSIGHTED_RAD:
        lines.append("Where the tube points is not known yet: sight targets next.")
    if found.raised > 1.0:
        lines.append(f"The poses scatter {found.raised:.1f} times more than the sensor's noise; was the unit quite still?")
    return "\n".join(lines)


def of_target(target: Target) -> str:
    """Return what a mark is worth."""
    if target.elevation_rad is None:
        return f"{target.id}: elevation unknown, to roll the tube on"
    return f"{target.id}: elevation {target.elevation_rad / DEG:.3f}° ± {target.sigma_rad / DEG:.3f}° seen from the tube"


def of_progress(found: Elevations, poses: int) -> str:
    """Return how well the poses so far agree."""
    return f"{poses} taken; they agree to {found.residual_rad / DEG:.3f}° of elevation."


def of_tube(found: Elevations) -> str:
    """Return where the tube points."""
    left, up = (float(np.arctan2(found.tube_body[i], found.tube_body[0])) / DEG for i in (1, 2))
    sigma_left, sigma_up = np.sqrt(np.diag(found.covariance)[9:]) / DEG
    return (
        f"The tube points {left:+z.3f}° ± {sigma_left:.3f}° to the left of the unit's x axis "
        f"and {up:+z.3f}° ± {sigma_up:.3f}° above it.\n"
        f"Elevations between 0° and 85° are known to {found.sigma_zero_rad / DEG:.3f}° (one sigma)."
    )


def of_gyro(found: GyroMatrix) -> str:
    """Return what the turns gave."""
    scale = (np.diag(found.matrix) - 1) * 100
    sigma = np.sqrt(np.diag(found.covariance))[[0, 4, 8]] * 100
    lines = [f"{axis}: {value:+z.2f} % ± {error:.2f} %" for axis, value, error in zip(_AXES, scale, sigma, strict=True)]
    return "\n".join(["The gyroscope reads too little by", *lines, *found.remarks])


def of_noise(found: Sequence[Noise]) -> str:
    """Return the noise of the axes."""
    return "\n".join(f"{axis}: {noise.white * 1000:.1f} mdps/√Hz" for axis, noise in zip(_AXES, found, strict=True))


def of_field_test(found: FieldTest) -> str:
    """Return the standard deviations of a reading."""
    azimuth = _spread(found.azimuth) if found.azimuth else "not known, the heading was lost on the way"
    return (
        f"Elevation of one reading: {_spread(found.elevation)}\nAzimuth of one reading: {azimuth}\n"
        f"One face reads {found.index_rad / DEG:+z.3f}° ± {found.sigma_index_rad / DEG:.3f}° too high."
    )


def of_encoder(found: EccentricityFit) -> str:
    """Return what the marks of a turn gave."""
    round_rad = np.linspace(0.0, 2 * np.pi, 360, endpoint=False)
    wrong = wrapped(found.eccentricity.angle_rad(round_rad) - round_rad)
    lines = [
        f"{len(found.residual_rad)} marks: as it reads, the encoder is wrong by up to {np.max(np.abs(wrong)) / DEG:.2f}°.",
        f"Corrected, an angle turned is known to {turned_sigma_rad(found.eccentricity) / DEG:.2f}° (one sigma).",
    ]
    if found.raised > 1.0:
        lines.append(f"The marks scatter {found.raised:.1f} times more than marks that are met well; was one written down wrongly?")
    return "\n".join(lines)


def turned_sigma_rad(found: Eccentricity) -> float:
    """Return the sigma of an angle turned between two directions, over all of them."""
    start, end = np.meshgrid(*(np.linspace(0.0, 2 * np.pi, 24, endpoint=False),) * 2)
    return float(np.sqrt(np.mean(found.sigma_rad(start, end) ** 2)))


def of_stand(found: StandAxis) -> str:
    """Return what a turn through the horizon gave."""
    lean = float(np.hypot(*found.lean_rad))
    towards = float(np.mod(np.arctan2(found.lean_rad[1], found.lean_rad[0]), 2 * np.pi))
    sigma = float(np.sqrt(np.trace(found.covariance_rad2) / 2))
    lines = [
        f"{len(found.residual_rad)} directions: the stand's axis leans by {lean / DEG:.2f}° ± {sigma / DEG:.2f}° "
        f"towards {towards / DEG:.0f}° of its encoder.",
        f"At 60° of elevation that is up to {lean * np.tan(_HIGH_RAD) / DEG:.2f}° of azimuth, which is taken out; "
        f"{sigma * np.tan(_HIGH_RAD) / DEG:.2f}° are left (one sigma).",
        "It holds until the stand is moved; then turn it again.",
    ]
    if found.raised > 1.0:
        lines.append(f"The elevations scatter {found.raised:.1f} times more than those of a clamped tube; did the clamp slip?")
    return "\n".join(lines)


def of_check(found: Checked, targets: Sequence[Target]) -> str:
    """Return the errors of the check, and the verdict."""
    rows = zip(targets, found.error_rad / DEG, found.sigma_rad / DEG, strict=True)
    lines = [f"{target.id}: {error:+z.3f}°, {sigma:.3f}° claimed" for target, error, sigma in rows]
    verdict = "Passed" if found.passed else "Not passed"
    lines.append(f"{verdict}: chi-square {found.chi2:.1f}, at most {found.limit:.1f} with 95 % of honest calibrations.")
    return "\n".join(lines)


def _spread(found: Spread) -> str:
    low, high = (value / DEG for value in found.interval95_rad)
    return f"{found.sigma_rad / DEG:.3f}° (one sigma, {found.freedom} degrees of freedom; between {low:.3f}° and {high:.3f}°)"
