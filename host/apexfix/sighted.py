"""A mark that was matched to a flight, as a sighting and a track: azimuths from backsights, sigmas from whoever knows them best."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from apexfix.align import Mark
from apexfix.carried import Recorded
from apexfix.geometry import tangent_and_secant
from apexfix.heading import HeadingZero, Look, heading_zero, misclosure_limit_rad
from apexfix.model import Sighting, Track
from apexfix.on_axis import chosen
from apexfix.pressed import Pressed, RunKey
from apexfix.units import DEG

# How well a person holds the cross-hairs on a target that stands still, and on a speck that slows down at the top of its flight.
# Common practice with open sights, where no field test has told what this observer reaches with this unit.
SIGMA_BACKSIGHT_RAD: Final = 0.2 * DEG
SIGMA_POINTING_RAD: Final = 0.3 * DEG
# What an accelerometer's offsets do to an elevation E is a cos E + b sin E, not the same at all elevations: the share of it that is
# each reading's own. Simulated days of uncalibrated units, apexes from 30 to 250 m high.
UNLIKE: Final = 0.3
SIGMA_UNIT_RAD: Final = 0.1 * DEG  # of the unit's own filter beside a moving hand, from simulated observers
_WARN_SIGMA: Final = 3.0


@dataclass(frozen=True, slots=True)
class Directed:
    """What one mark says of its flight."""

    sighting: Sighting
    track: Track | None  # None where no samples came, or the azimuth is unknown
    remarks: tuple[str, ...]


def directed(number: int, mark: Mark, found: Recorded, *, clocked: bool) -> Directed:
    """Return the sighting and the track of a mark that was matched to a flight.

    Parameters
    ----------
    mark : Mark
        With the time that the matching gave it.
    clocked : bool
        Whether that time is UTC; otherwise the sighting has none.
    """
    pressed = found.presses[mark.key]
    by_gyro = _zero(pressed, found.backsights)
    best = chosen(pressed, by_gyro, found.stands, _sigma_backsight(pressed))
    zero = best.zero
    sighting = Sighting(
        flight=number,
        station=mark.station,
        utc_us=mark.utc_us if clocked else None,
        azimuth_rad=None if zero is None else float(np.mod(pressed.heading_rad + zero.azimuth_minus_heading_rad, 2 * np.pi)),
        elevation_rad=pressed.elevation_rad,
        sigma_azimuth_rad=_sigma_azimuth(pressed, zero),
        sigma_elevation_rad=_sigma_elevation(pressed),
        sigma_time_s=mark.sigma_s,
        note=best.note,
        source=mark.key,
    )
    remarks = (*_remarks(pressed, by_gyro or zero, found.backsights), *best.remarks, *_second_opinion(pressed))
    return Directed(sighting, _track(number, mark, pressed, zero), remarks)


def _zero(pressed: Pressed, backsights: Mapping[RunKey, tuple[Look, ...]]) -> HeadingZero | None:
    reference = pressed.station.reference_azimuth_rad
    if reference is None:
        return None
    sights = backsights.get(pressed.run, ())
    return heading_zero(sights, reference, pressed.look, _sigma_backsight(pressed), pressed.in_force.carrying)


def _sigma_backsight(pressed: Pressed) -> float:
    return pressed.in_force.calibration.stated.azimuth_rad or SIGMA_BACKSIGHT_RAD


def _sigma_elevation(pressed: Pressed) -> float:
    """Return the sigma of one reading: what site.toml says, else the hand's and what of the unit's zero is not alike all day."""
    if pressed.station.sigma_elevation_rad is not None:
        return pressed.station.sigma_elevation_rad
    return float(np.hypot(_sigma_hand(pressed), UNLIKE * pressed.in_force.tolerance.zero_rad))


def _sigma_hand(pressed: Pressed) -> float:
    """Return what the field test in the calibration says, else common practice."""
    return pressed.in_force.calibration.stated.elevation_rad or SIGMA_POINTING_RAD


def _sigma_azimuth(pressed: Pressed, zero: HeadingZero | None) -> float | None:
    """Return the sigma of the azimuth reading: the zero's, and the hand's across the line of sight."""
    if zero is None or pressed.station.sigma_azimuth_rad is not None:
        return pressed.station.sigma_azimuth_rad
    across = pressed.in_force.calibration.stated.azimuth_rad or pressed.station.sigma_elevation_rad or _sigma_hand(pressed)
    _, secant = tangent_and_secant(pressed.elevation_rad)
    return float(np.hypot(zero.sigma_rad, across * secant))


def _track(number: int, mark: Mark, pressed: Pressed, zero: HeadingZero | None) -> Track | None:
    if zero is None or mark.utc_us is None or pressed.track is None:
        return None
    return Track(
        flight=number,
        station=mark.station,
        utc_us=mark.utc_us + pressed.track.t_us - pressed.press.t_us,
        azimuth_rad=np.mod(pressed.track.heading_rad + zero.azimuth_minus_heading_rad, 2 * np.pi),
        elevation_rad=pressed.track.elevation_rad,
        mark_utc_us=mark.utc_us,
        sigma_time_s=mark.sigma_s,
        sigma_azimuth_zero_rad=zero.sigma_rad,
    )


def _remarks(pressed: Pressed, zero: HeadingZero | None, backsights: Mapping[RunKey, tuple[Look, ...]]) -> list[str]:
    station = pressed.station.id
    if zero is None:
        return [f"station {station} gives an elevation alone: {_why_no_azimuth(pressed, backsights)}"]
    if zero.misclosure_rad is None:
        return []
    sigma = _sigma_backsight(pressed)
    limit = misclosure_limit_rad(backsights[pressed.run], pressed.look, sigma, pressed.in_force.carrying)
    if abs(zero.misclosure_rad) <= limit:
        return []
    return [
        f"station {station}: the backsights before and after the mark disagree by {abs(zero.misclosure_rad) / DEG:.1f}°, "
        f"at most {limit / DEG:.1f}° expected; was the stand moved between them, or one of them not on the target?"
    ]


def _why_no_azimuth(pressed: Pressed, backsights: Mapping[RunKey, tuple[Look, ...]]) -> str:
    if pressed.station.reference_azimuth_rad is None:
        return "its reference has no azimuth"
    if pressed.run not in backsights:
        return "no backsight since the heading began"
    return "its gyroscope drifted too far since the backsight, or nobody knows how far; rest the unit for ten seconds before each"


def _second_opinion(pressed: Pressed) -> list[str]:
    """Compare with what the unit made of it at once; where it used another calibration there is nothing to compare."""
    station = pressed.station.id
    if pressed.in_force.is_own:
        limit = _WARN_SIGMA * float(np.hypot(pressed.sigma_tilt_rad, SIGMA_UNIT_RAD))
        if abs(pressed.elevation_rad - pressed.unit_elevation_rad) <= limit:
            return []
        return [
            f"station {station}: {pressed.unit_elevation_rad / DEG:.1f}° by the unit's own filter, "
            f"{pressed.elevation_rad / DEG:.1f}° from its samples, at most {limit / DEG:.1f}° apart expected; "
            "the samples count; was the unit jerked?"
        ]
    if np.isfinite(pressed.sigma_tilt_rad):
        return []
    return [
        f"station {station}: no samples tell the elevation of the mark; it is the unit's own, by the calibration that it carried, "
        "and the better one helps little"
    ]
