"""How near the lines of sight come to the Sun from the pad to the landing, and when or where they stay clear of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from apexfix.model import Vector
from apexfix.plan.expected import Expected, apexes, landings
from apexfix.reduce.sightline import Mask
from apexfix.safety import SUN_WARNING_RAD
from apexfix.sun import separation_rad, sun_angles

_FLIGHTS: Final = 64
_ALONG: Final = np.linspace(0.0, 1.0, 13)
_LOOK: Final = timedelta(minutes=15)
_LOOKS: Final = 24  # six hours to each side

Flights = Mapping[str, Vector]  # part of the flight -> (M, 3) points of expected flights


@dataclass(frozen=True, slots=True)
class Moment:
    """When and where a launch is planned."""

    utc: datetime
    latitude_rad: float
    longitude_rad: float
    height_m: float  # above the sea

    def sun(self, later: timedelta = timedelta(0)) -> tuple[float, float]:
        """Return azimuth and elevation of the Sun, radians, some time later."""
        return sun_angles(self.latitude_rad, self.longitude_rad, self.height_m, self.utc + later)


@dataclass(frozen=True, slots=True)
class Glance:
    """The look of one station that comes nearest to the Sun, a quarter of an hour early or late included."""

    nearest_rad: float
    during: str  # climb, apex, descent

    @property
    def warning(self) -> bool:
        """Nearer than the margin."""
        return self.nearest_rad < SUN_WARNING_RAD


@dataclass(frozen=True, slots=True)
class SunWatch:
    """A layout and the Sun at one moment."""

    azimuth_rad: float
    elevation_rad: float
    glances: tuple[Glance, ...]  # one for each station; all far away while the Sun is down
    clear_from: datetime | None  # the layout is clear of the Sun between these, as far as six hours were looked at
    clear_until: datetime | None
    other_time: datetime | None  # the nearest time at which a layout with a warning is clear


def flights(expected: Expected) -> Flights:
    """Return points of the climb, straight from the pad, of the apexes and of the descent, straight to the landing."""
    apex = apexes(expected, _FLIGHTS)
    down = np.column_stack([landings(expected, _FLIGHTS), np.zeros(_FLIGHTS)])
    climb = _ALONG[:-1, None, None] * apex
    descent = apex + _ALONG[1:, None, None] * (down - apex)
    return {"climb": climb.reshape(-1, 3), "apex": apex, "descent": descent.reshape(-1, 3)}


def watch(station_m: Vector, seen: Flights, moment: Moment) -> SunWatch:
    """Return what (N, 3) stations have to know about the Sun."""
    azimuth, elevation = moment.sun()
    glances = tuple(_glance(station, seen, moment) for station in station_m)
    near = any(glance.warning for glance in glances)

    def clear(step: int) -> bool:
        return bool(_clear(station_m, seen, _suns(moment, step)).all())

    return SunWatch(
        azimuth,
        elevation,
        glances,
        None if near else moment.utc + _last(clear, -1) * _LOOK,
        None if near else moment.utc + _last(clear, 1) * _LOOK,
        _nearest_clear(clear, moment) if near else None,
    )


def clear_places(seen: Flights, moment: Moment) -> Callable[[Vector], Mask]:
    """Return a rule for (N, 3) places: no look of a whole flight comes near to the Sun."""
    suns = _suns(moment, 0)
    return lambda place_m: _clear(place_m, seen, suns)


def _suns(moment: Moment, step: int) -> list[tuple[float, float]]:
    """Return where the Sun stands a step before some step, then and a step after, as far as it is up.

    A launch is seldom on time, and the Sun moves by four degrees in a step.
    """
    suns = [moment.sun((step + late) * _LOOK) for late in (-1, 0, 1)]
    return [sun for sun in suns if sun[1] > 0]


def _clear(place_m: Vector, seen: Flights, suns: list[tuple[float, float]]) -> Mask:
    points = np.concatenate(list(seen.values()))
    return np.array([_nearest_rad(points - place, suns) >= SUN_WARNING_RAD for place in place_m], dtype=bool)


def _glance(station: Vector, seen: Flights, moment: Moment) -> Glance:
    suns = _suns(moment, 0)
    nearest = {part: _nearest_rad(points - station, suns) for part, points in seen.items()}
    during = min(nearest, key=lambda part: nearest[part])
    return Glance(nearest[during], during)


def _nearest_rad(sight_m: Vector, suns: list[tuple[float, float]]) -> float:
    return min((float(separation_rad(sight_m, *sun).min()) for sun in suns), default=np.pi)


def _last(clear: Callable[[int], bool], way: int) -> int:
    """Return the last of the steps one way, in a row from now, at which the layout is clear."""
    return next((way * (step - 1) for step in range(1, _LOOKS + 1) if not clear(way * step)), way * _LOOKS)


def _nearest_clear(clear: Callable[[int], bool], moment: Moment) -> datetime | None:
    steps = (way * step for step in range(1, _LOOKS + 1) for way in (1, -1))
    return next((moment.utc + step * _LOOK for step in steps if moment.sun(step * _LOOK)[1] > 0 and clear(step)), None)
