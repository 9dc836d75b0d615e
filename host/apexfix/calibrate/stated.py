"""What a calibration says of the angles that its unit and observer give."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from apexfix.errors import CalibrationError
from apexfix.units import DEG


@dataclass(frozen=True, slots=True)
class StatedSigmas:
    """One standard deviation each; None where the calibration does not say."""

    elevation_rad: float | None  # random, of one reading: from the field test
    azimuth_rad: float | None  # the same, in the azimuth of a level sight
    elevation_zero_rad: float | None  # common to all readings: from the covariance of the calibration


def stated_sigmas(calibration: Mapping[str, object]) -> StatedSigmas:
    """Return the sigmas in a calibration object (docs/protocol.md, section 5).

    Raises
    ------
    CalibrationError
        One is no positive number.

    Examples
    --------
    >>> stated_sigmas({"sigma_elevation_deg": 0.1}).azimuth_rad is None
    True
    """
    return StatedSigmas(
        elevation_rad=_sigma_rad(calibration, "sigma_elevation_deg"),
        azimuth_rad=_sigma_rad(calibration, "sigma_azimuth_deg"),
        elevation_zero_rad=_sigma_rad(calibration, "sigma_elevation_zero_deg"),
    )


def _sigma_rad(calibration: Mapping[str, object], name: str) -> float | None:
    value = calibration.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value <= 0:
        raise CalibrationError(f"{name} is {value!r}, a number of degrees above 0 expected; calibrate the unit again")
    return value * DEG
