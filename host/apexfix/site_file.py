"""site.toml: where everything stands."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from apexfix.fields import Check, anything, matching, number, suggestion, text, whole
from apexfix.geometry import angles
from apexfix.model import Site, Station, Vector
from apexfix.survey import from_geodetic, from_tape, true_azimuth
from apexfix.toml_tables import Table, parsed, table, tables
from apexfix.units import DEG

LARGEST_SITE_BYTES: Final = 1 << 20
FARTHEST_M: Final = 20_000.0  # no eye follows a model from farther away: a larger figure is a typing error
NEAREST_REFERENCE_M: Final = 1.0  # a bearing to something closer says nothing

# Per axis, where the file gives no sigma_position_m. Common practice, no source: a tape laid with care; a tape and one degree of a
# hand compass; a hand-held satellite receiver under open sky.
SIGMA_METRES_M: Final = 0.1
SIGMA_TAPE_SHARE: Final = 0.02
SIGMA_GEODETIC_M: Final = 3.0

_METRES: Final = number(-FARTHEST_M, FARTHEST_M)
_ANGLE: Final = number(0, 360)
_SIGMA: Final = number(0, 90, above=True)
_SIGMA_ZERO: Final = number(0, 90)

_TOP: Final[Mapping[str, Check]] = {
    "format": whole(1, 1),
    "site": anything,
    "pad": anything,
    "station": anything,
    "target": anything,
}
_SITE: Final[Mapping[str, Check]] = {
    "name": text(200),
    "declination_deg": number(-180, 180),
    "timezone": text(64),
    "wind_m_s": number(0, 50),
    "wind_from_deg": _ANGLE,
}
_PAD: Final[Mapping[str, Check]] = {
    "latitude_deg": number(-90, 90),
    "longitude_deg": number(-180, 180),
    "height_m": number(-500, 9000),
}
_TARGET: Final[Mapping[str, Check]] = {
    "id": text(32),
    "east_m": _METRES,
    "north_m": _METRES,
    "distance_m": number(0, FARTHEST_M),
    "bearing_deg": _ANGLE,
    **_PAD,
    "up_m": number(-2000, 2000),
}
_STATION: Final[Mapping[str, Check]] = {
    **_TARGET,
    "sigma_position_m": number(0, 1000),
    "sigma_elevation_deg": _SIGMA,
    "sigma_azimuth_deg": _SIGMA,
    "sigma_elevation_zero_deg": _SIGMA_ZERO,
    "sigma_azimuth_zero_deg": _SIGMA_ZERO,
    "unit": matching(r"[A-Za-z0-9_-]{1,16}", "1 to 16 letters A-Z a-z, digits, _ or -"),
    "reference": text(32),
    "reference_bearing_deg": _ANGLE,
}
_WAYS: Final = (("east_m", "north_m"), ("distance_m", "bearing_deg"), ("latitude_deg", "longitude_deg"))


@dataclass(frozen=True, slots=True)
class _Frame:
    """What positions and bearings of a file are measured against."""

    declination_rad: float
    pad: Table


def read_site(path: Path) -> Site:
    """Return the site that a site.toml describes.

    Notes
    -----
    ``declination_deg`` (positive where the needle points east of north) says that every ``bearing_deg`` and
    ``reference_bearing_deg`` of the file is magnetic; without it they are true. ``reference`` is what a station takes its backsight
    on: "pad", which is also the default, or the id of another station or of a ``[[target]]``.

    Raises
    ------
    FileError
        The file is missing, too large or not TOML, or a field is unknown, missing, doubled, of the wrong kind or out of range.
    """
    document = parsed(path, LARGEST_SITE_BYTES)
    top = table(document, (), _TOP, required=("format",))
    site = table(document, ("site",), _SITE, required=("name",))
    pad = _pad(table(document, ("pad",), _PAD))
    stations = tables(document, "station", _STATION, required=("id",))
    targets = tables(document, "target", _TARGET, required=("id",))
    if not stations:
        raise top.error("nothing seen, at least one table [[station]] expected", "station")
    _check_names(stations, targets)
    frame = _Frame(site.values.get("declination_deg", 0.0) * DEG, pad)
    aims = {"pad": np.zeros(3)} | {row.values["id"]: _position(frame, row) for row in (*targets, *stations)}
    return Site(
        name=site.values["name"],
        stations=tuple(_station(frame, row, aims) for row in stations),
        latitude_rad=_radians(pad, "latitude_deg"),
        longitude_rad=_radians(pad, "longitude_deg"),
        height_m=pad.values.get("height_m"),
        timezone=_timezone(site),
        wind_m_s=site.values.get("wind_m_s"),
        wind_from_rad=_radians(site, "wind_from_deg"),
    )


def _timezone(site: Table) -> str | None:
    name: str | None = site.values.get("timezone")
    if name is None:
        return None
    try:
        return ZoneInfo(name).key
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:  # the last where it names a folder
        raise site.error(f"{name!r} seen, a name such as 'Europe/Berlin' or 'UTC' expected", "timezone") from error


def _pad(pad: Table) -> Table:
    for field, other in (("latitude_deg", "longitude_deg"), ("longitude_deg", "latitude_deg")):
        if other in pad.values and field not in pad.values:
            raise pad.error(f"nothing seen, {field} expected because {other} is given", field)
    return pad


def _check_names(stations: tuple[Table, ...], targets: tuple[Table, ...]) -> None:
    """Raise a FileError where a name stands for two things."""
    for field, rows in (("id", (*targets, *stations)), ("unit", stations)):
        taken = {"pad"} if field == "id" else set[str]()
        for row in rows:
            name = row.values.get(field)
            if name in taken:
                raise row.error(f"{name!r} seen a second time, a name of its own expected ('pad' is the pad's)", field)
            taken |= {name} if name else set()


def _position(frame: _Frame, row: Table) -> Vector:
    """Return the (3,) position of a station or a target from whichever way the file gives it."""
    way = _way(row)
    first, second = (row.values[field] for field in way)
    if way[0] == "latitude_deg":
        return _geodetic_position(frame, row)
    up_m = _up(row)
    if way[0] == "distance_m":
        return from_tape(first, true_azimuth(second * DEG, frame.declination_rad), up_m)
    return np.array([first, second, up_m])


def _way(row: Table) -> tuple[str, str]:
    """Return the pair of fields that gives the level position, exactly one of the three pairs."""
    choices = "east_m and north_m, or distance_m and bearing_deg, or latitude_deg and longitude_deg"
    given = [(field, way) for field in row.values for way in _WAYS if field in way]
    if not given:
        raise row.error(f"no position seen, one of these expected: {choices}", "east_m")
    begun, way = given[0]
    for field, other in given:
        if other != way:
            raise row.error(f"seen beside {begun}, only one kind of position expected: {choices}", field)
    for field in way:
        if field not in row.values:
            raise row.error(f"nothing seen, {field} expected because {begun} is given", field)
    return way


def _up(row: Table) -> float:
    """Return the height above the pad; a target may leave it out, since only its bearing is used."""
    if "height_m" in row.values:
        raise row.error("seen beside metres, up_m (above the pad) expected; height_m goes with latitude_deg", "height_m")
    if "up_m" not in row.values and row.place[0] == "station":
        raise row.error("nothing seen, up_m expected: the height of the sighting axis above the pad", "up_m")
    return float(row.values.get("up_m", 0.0))


def _geodetic_position(frame: _Frame, row: Table) -> Vector:
    """Return the position of a row with latitude and longitude: its height is absolute as height_m or above the pad as up_m."""
    if "latitude_deg" not in frame.pad.values:
        raise frame.pad.error(f"nothing seen, the pad's own expected because {row.values['id']!r} has one", "latitude_deg")
    if "height_m" in row.values and "up_m" in row.values:
        raise row.error("seen beside height_m, only one of the two heights expected", "up_m")
    if "height_m" not in row.values and "up_m" not in row.values and row.place[0] == "station":
        raise row.error("nothing seen, height_m (as the pad's) or up_m (above the pad) expected, of the sighting axis", "height_m")
    if "height_m" in row.values and "height_m" not in frame.pad.values:
        raise frame.pad.error(f"nothing seen, the pad's own expected because {row.values['id']!r} has one", "height_m")
    pad_m = frame.pad.values.get("height_m", 0.0)
    origin = (frame.pad.values["latitude_deg"] * DEG, frame.pad.values["longitude_deg"] * DEG, pad_m)
    height_m = row.values.get("height_m", pad_m + row.values.get("up_m", 0.0))
    local = from_geodetic((row.values["latitude_deg"] * DEG, row.values["longitude_deg"] * DEG, height_m), origin)
    away_m = hypot(local[0], local[1])
    if away_m > FARTHEST_M:
        raise row.error(f"{away_m / 1000:.0f} km from the pad seen, at most {FARTHEST_M / 1000:.0f} km expected", "latitude_deg")
    return local


def _station(frame: _Frame, row: Table, aims: Mapping[str, Vector]) -> Station:
    position_m = aims[row.values["id"]]
    return Station(
        id=row.values["id"],
        position_m=position_m,
        sigma_position_m=row.values.get("sigma_position_m", _usual_sigma(row)),
        sigma_elevation_rad=_radians(row, "sigma_elevation_deg"),
        sigma_azimuth_rad=_radians(row, "sigma_azimuth_deg"),
        sigma_elevation_zero_rad=_radians(row, "sigma_elevation_zero_deg"),
        sigma_azimuth_zero_rad=_radians(row, "sigma_azimuth_zero_deg"),
        unit=row.values.get("unit"),
        reference_azimuth_rad=_reference(frame, row, aims),
    )


def _usual_sigma(row: Table) -> float:
    if "latitude_deg" in row.values:
        return SIGMA_GEODETIC_M
    return max(SIGMA_METRES_M, SIGMA_TAPE_SHARE * float(row.values.get("distance_m", 0.0)))


def _reference(frame: _Frame, row: Table, aims: Mapping[str, Vector]) -> float | None:
    """Return the true azimuth of what the station takes its backsight on; None for a station on the pad that names nothing."""
    if "reference_bearing_deg" in row.values:
        if "reference" in row.values:
            raise row.error("seen beside reference, only one of the two expected", "reference_bearing_deg")
        return true_azimuth(row.values["reference_bearing_deg"] * DEG, frame.declination_rad)
    name = row.values.get("reference", "pad")
    if name not in aims:
        raise row.error(f"{name!r} seen, 'pad' or the id of a station or target expected; {suggestion(name, aims)}", "reference")
    across = aims[name] - aims[row.values["id"]]
    away_m = hypot(across[0], across[1])
    if away_m >= NEAREST_REFERENCE_M:
        return float(angles(across)[0])
    if "reference" in row.values:
        raise row.error(f"{name!r} seen {away_m:.2f} m away, {NEAREST_REFERENCE_M:g} m or more expected for a bearing", "reference")
    return None


def _radians(row: Table, field: str) -> float | None:
    return float(row.values[field]) * DEG if field in row.values else None
