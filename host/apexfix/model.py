"""The values that rooms hand to each other. No behaviour; see docs/conventions.md for frames and signs."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Stamps = NDArray[np.int64]


# --- the site -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Station:
    """A surveyed place where a unit or an observer stands. Sigmas are None where the file leaves them to the defaults."""

    id: str
    position_m: Vector  # (3,) east, north, up of the sighting axis, from the pad
    sigma_position_m: float  # per axis
    sigma_elevation_rad: float | None  # random, per reading
    sigma_azimuth_rad: float | None  # random, per reading
    sigma_elevation_zero_rad: float | None  # common to all readings of the day at this station
    sigma_azimuth_zero_rad: float | None  # the same; holds the bearing of the reference target too
    unit: str | None  # name of the unit that stood here
    reference_azimuth_rad: float | None  # true azimuth of the backsight target, None where it is unknown


@dataclass(frozen=True, slots=True)
class Site:
    """Where everything stands."""

    name: str
    stations: tuple[Station, ...]
    latitude_rad: float | None = None  # of the pad
    longitude_rad: float | None = None
    height_m: float | None = None
    timezone: str | None = None  # an IANA name such as Europe/Berlin; None: times are told in UTC
    wind_m_s: float | None = None  # over the ground, as somebody stated it
    wind_from_rad: float | None = None  # true azimuth it blows from

    def station(self, station_id: str) -> Station:
        """Return the station of that name; KeyError where there is none."""
        for station in self.stations:
            if station.id == station_id:
                return station
        raise KeyError(station_id)


# --- what was seen --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sighting:
    """One direction to the apex from one station."""

    flight: int
    station: str
    utc_us: int | None  # None for hand readings without a time
    azimuth_rad: float | None  # None for an elevation-only station
    elevation_rad: float  # may exceed pi/2
    sigma_azimuth_rad: float | None = None  # None: the station's figure, else the default
    sigma_elevation_rad: float | None = None
    sigma_time_s: float | None = None  # of the stamp on the host's clock; None where there is no time
    note: str = ""
    source: str = "hand"  # "hand", or "unit NAME, boot B, record N"


@dataclass(frozen=True, slots=True)
class Track:
    """The samples around one mark: directions that one observer held, in time."""

    flight: int
    station: str
    utc_us: Stamps  # (N,)
    azimuth_rad: Vector  # (N,)
    elevation_rad: Vector  # (N,) may exceed pi/2
    mark_utc_us: int  # when the observer pressed
    sigma_time_s: float  # of the common offset of all stamps
    sigma_azimuth_zero_rad: float = 0.0  # of what all its azimuths share beside the station's zero: how the heading was carried


@dataclass(frozen=True, slots=True)
class Flight:
    """Everything that was seen of one flight, one sighting and at most one track per station."""

    number: int
    sightings: tuple[Sighting, ...]
    tracks: tuple[Track, ...] = ()
    set_aside: tuple["Exclusion", ...] = ()  # marks that the matching did not use, with the reason
    remarks: tuple[str, ...] = ()  # what a person should know about how the marks were matched


# --- what came out --------------------------------------------------------------------------------------------------


class Verdict(StrEnum):
    """How far a height can be trusted, in words."""

    ACCEPTED = "accepted"
    DOUBTFUL = "doubtful"
    REJECTED = "rejected"
    UNSOLVED = "unsolved"


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A reading that was not used, and why. Nothing is removed silently."""

    station: str
    quantity: str  # "azimuth", "elevation", "sighting", "mark"
    reason: str


@dataclass(frozen=True, slots=True)
class Residual:
    """What a station read, less what the fix predicts; wrapped, None where there was no reading."""

    station: str
    azimuth_rad: float | None
    elevation_rad: float | None
    sigma_azimuth_rad: float | None = None  # of the reading, all sources; None where the azimuth or its sigma is unknown
    sigma_elevation_rad: float | None = None


@dataclass(frozen=True, slots=True)
class FittedTrack:
    """Where the arc of a flight has the tube of one station, and what the track says of its observer."""

    station: str
    utc_us: Stamps  # (M,) stamps of the samples that were fitted, on the clock of the track
    azimuth_rad: Vector  # (M,) of the arc, with the station's shift in time and zeros
    elevation_rad: Vector  # (M,)
    offset_s: float  # the tube pointed where the model was at stamp + offset: clock and lag together
    sigma_offset_s: float
    rms_rad: float  # tracking error on the sky, each axis
    misfit: float  # mean square of the residuals over the assumed sigma; about 1 for the observer that was assumed


@dataclass(frozen=True, slots=True)
class FlightResult:
    """The answer for one flight. The position is None where it is unsolved, and reasons say why."""

    flight: int
    verdict: Verdict
    reasons: tuple[str, ...]
    position_m: Vector | None  # (3,) east, north, up from the pad
    covariance_m2: Vector | None  # (3, 3)
    interval95_m: tuple[float, float] | None  # of the height
    closure_percent: float | None  # see docs/method.md for the rule in force
    method: str  # the name of the method behind position_m, "" where unsolved
    methods: Mapping[str, float]  # name of each method that applies -> height in m
    residuals: tuple[Residual, ...] = ()
    excluded: tuple[Exclusion, ...] = ()
    budget_m: Mapping[str, float] = field(default_factory=dict)  # source -> its share of the height's sigma, in m
    utc_us: int | None = None  # of the apex, where it is known
    sightings: tuple[Sighting, ...] = ()  # as used, for reports
    tracks: tuple[Track, ...] = ()
    fitted: tuple[FittedTrack, ...] = ()  # of the arc, where one was fitted


@dataclass(frozen=True, slots=True)
class BootClock:
    """How well the clock of one boot of a unit is known. Without an exchange only the pattern of its marks places it."""

    boot: int
    log: str
    exchanges: int
    zero_utc_us: int | None  # UTC at the unit's zero; None without an exchange
    sigma_zero_s: float | None  # of the line at its best known instant
    drift: float | None  # seconds of UTC gained on the unit's, per second
    sigma_drift: float | None


@dataclass(frozen=True, slots=True)
class UnitHealth:
    """How one sighting unit was on a day. A pair is the least and the most that was seen, None where nothing was recorded."""

    unit: str
    serial: str
    station: str | None
    imu: str
    firmware: str
    calibration: str | None  # its id; None where the unit carried none
    calibrated_utc: str | None  # as the calibration states it
    calibration_age_days: float | None  # on the day
    calibrated_celsius: tuple[float, float] | None
    sigma_elevation_rad: float | None  # as the calibration states them
    sigma_azimuth_rad: float | None
    sigma_elevation_zero_rad: float | None
    concerns: tuple[str, ...]  # why its calibration or its self-test should worry somebody
    clocks: tuple[BootClock, ...]
    celsius: tuple[float, float] | None
    supply_v: tuple[float, float] | None
    free_bytes: int | None  # of the flash, the least
    lost_samples: int | None  # of one boot, the most


@dataclass(frozen=True, slots=True)
class DayResult:
    """The answers for a day."""

    site: Site
    flights: tuple[FlightResult, ...]
    remarks: tuple[str, ...] = ()
    units: tuple[UnitHealth, ...] = ()
