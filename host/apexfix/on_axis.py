"""Azimuths read on a stand's axis: the encoder's angle from backsight to mark, free of its eccentricity and of the stand's lean.

The gyroscope carries a heading whatever the unit stands on, and drifts; the encoder does not drift, and knows nothing of a stand
that was lifted, or of a clamp that slipped. Where both tell, the better one counts, as long as they agree.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from apexfix.calibrate.encoder import SIGMA_STEP_RAD
from apexfix.calibrate.stand import level_azimuth, sigma_turned
from apexfix.geometry import tangent_and_secant, wrapped
from apexfix.heading import HeadingZero, around
from apexfix.model import Vector
from apexfix.pressed import Pressed
from apexfix.stands import Stands, eccentricity
from apexfix.units import DEG

# How far the stand's second axis, and the tube on it, are from square: the printed mount gives its azimuth axis 0.4 mm of play over
# 25 and its elevation bolt as much over 28, whose sigma is half a degree loose and less when tightened (common practice). They
# enter the azimuth by the tangent and the secant of the elevation.
SIGMA_SQUARE_RAD: Final = 0.3 * DEG
BY_ENCODER: Final = "azimuth by the encoder"
_WARN_SIGMA: Final = 3.0


@dataclass(frozen=True, slots=True)
class Chosen:
    """What to add to the heading at a mark, from whoever knows it better."""

    zero: HeadingZero | None
    note: str  # BY_ENCODER, or nothing
    remarks: tuple[str, ...]


def chosen(pressed: Pressed, by_gyro: HeadingZero | None, stands: Stands, sigma_backsight_rad: float) -> Chosen:
    """Return the zero of the heading at a mark by gyroscope or by encoder, whichever has the smaller sigma.

    Where they disagree, or the encoder disagrees with itself, the gyroscope counts: it cares for neither stand nor clamp.
    """
    by_encoder = encoder_zero(pressed, stands, sigma_backsight_rad)
    if by_encoder is None:
        return Chosen(by_gyro, "", ())
    doubt = _misclosed(pressed, by_encoder, sigma_backsight_rad) or _apart(pressed, by_encoder, by_gyro)
    if doubt:
        return Chosen(by_gyro, "", (doubt,))
    if by_gyro is not None and by_gyro.sigma_rad <= by_encoder.sigma_rad:
        return Chosen(by_gyro, "", ())
    return Chosen(replace(by_encoder, misclosure_rad=None), BY_ENCODER, ())  # judged above: the gyroscope's limit is another one


def encoder_zero(pressed: Pressed, stands: Stands, sigma_backsight_rad: float) -> HeadingZero | None:
    """Return the zero of the heading at a mark by the encoder; None where it tells nothing.

    The last backsight before and the first after the mark, of the same boot, are used; both count alike, for nothing drifts.
    """
    reference, reading = pressed.station.reference_azimuth_rad, stands.reading_rad(pressed)
    both = around(stands.backsights.get(pressed.run.boot, ()), pressed.press.t_us)
    sights = [sight for sight in both if sight is not None]
    if reference is None or reading is None or not sights:
        return None
    encoder, axis = eccentricity(pressed.in_force.calibration), stands.axis(pressed)
    readings = np.array([*(sight.reading_rad for sight in sights), reading])
    elevations = np.array([*(sight.elevation_rad for sight in sights), pressed.elevation_rad])
    angles = encoder.angle_rad(readings)
    *targets, own = level_azimuth(axis, angles, elevations)
    apart = float(wrapped(targets[-1] - targets[0]))
    azimuth = reference + own - (targets[0] + apart / 2)
    ends = [0, -1]  # both backsights saw the same target: either tells how far the table was turned from it
    shares = (
        sigma_backsight_rad / np.sqrt(len(sights)),
        float(encoder.sigma_rad(readings[0], readings[-1])),
        sigma_turned(axis, angles[ends], elevations[ends]),
        _sigma_square_rad(elevations[ends]),
    )
    misclosure = None if len(sights) == 1 else apart
    return HeadingZero(float(wrapped(azimuth - pressed.heading_rad)), float(np.linalg.norm(shares)), misclosure)


def _sigma_square_rad(elevation_rad: Vector) -> float:
    lever = np.stack(tangent_and_secant(elevation_rad))
    return SIGMA_SQUARE_RAD * float(np.linalg.norm(lever[:, 1] - lever[:, 0]))


def _misclosed(pressed: Pressed, by_encoder: HeadingZero, sigma_backsight_rad: float) -> str:
    limit = _WARN_SIGMA * np.sqrt(2.0) * float(np.hypot(sigma_backsight_rad, SIGMA_STEP_RAD))
    if by_encoder.misclosure_rad is None or abs(by_encoder.misclosure_rad) <= limit:
        return ""
    return (
        f"station {pressed.station.id}: by the encoder the backsights before and after the mark are "
        f"{abs(by_encoder.misclosure_rad) / DEG:.1f}° apart, at most {limit / DEG:.1f}° expected; was the stand moved "
        "between them, or one of them not on the target? The encoder is not used"
    )


def _apart(pressed: Pressed, by_encoder: HeadingZero, by_gyro: HeadingZero | None) -> str:
    if by_gyro is None:
        return ""
    apart = abs(float(wrapped(by_encoder.azimuth_minus_heading_rad - by_gyro.azimuth_minus_heading_rad)))
    limit = _WARN_SIGMA * float(np.hypot(by_encoder.sigma_rad, by_gyro.sigma_rad))
    if apart <= limit:
        return ""
    return (
        f"station {pressed.station.id}: the azimuth by the encoder is {apart / DEG:.1f}° from that by the gyroscope, at most "
        f"{limit / DEG:.1f}° expected; was the stand lifted and turned, or did its clamp slip? The encoder is not used"
    )
