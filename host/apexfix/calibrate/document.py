"""Calibration files: one JSON object for each unit, a superset of what the unit itself carries (docs/protocol.md, section 5)."""

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from apexfix.calibrate.imu import ImuCalibration, carried_calibration
from apexfix.errors import CalibrationError, FileError
from apexfix.fields import cleaned
from apexfix.text_file import read_text, write_text
from apexfix.units import SECOND_US

FORMAT: Final = 1
ALL_FILES: Final = "calibration-*.json"  # in a folder
# What goes to the unit; the raw data and the covariance stay on the host.
CARRIED: Final = (
    "id", "serial", "imu", "date_utc", "checked_utc", "temperature_celsius", "accel_offset_g", "accel_matrix", "gyro_matrix",
    "tube_body", "sigma_elevation_zero_deg", "sigma_elevation_deg", "sigma_azimuth_deg", "encoder",
)  # fmt: skip
_LARGEST_BYTES: Final = 16 << 20
# How long a calibration holds is common practice: the parts' data sheets say nothing of years.
_OLD_DAYS: Final = 365.0  # then it gives cause for concern
_STALE_DAYS: Final = 730.0  # then it is not used before a check against known heights
_DAY_S: Final = 86400.0
_WARMTH_C: Final = 5.0  # beyond the range that was calibrated; the parts' offsets move 0.1 to 0.4 mg for a degree
_NOT_IN_A_NAME: Final = re.compile(r"[^A-Za-z0-9_-]")

Document = Mapping[str, Any]


def file_name(serial: str) -> str:
    """Return the name of a unit's calibration file.

    Examples
    --------
    >>> file_name("e66118604b1a2c25")
    'calibration-e66118604b1a2c25.json'
    """
    return f"calibration-{_NOT_IN_A_NAME.sub('_', serial)}.json"


def write_document(path: Path, document: Document) -> None:
    """Write a calibration; FileError where that fails."""
    write_text(path, json.dumps(document, indent=1, allow_nan=False) + "\n")


def read_document(path: Path) -> Document:
    """Return the calibration in a file.

    Raises
    ------
    FileError
        It is missing, unreadable, no JSON object, or of a later format.
    """
    try:
        document = cleaned(json.loads(read_text(path, _LARGEST_BYTES)))
    except json.JSONDecodeError as error:
        raise FileError(f"{error.msg} seen, JSON expected; write the calibration again", path=path, line=error.lineno) from error
    except ValueError as error:
        raise FileError(f"{error}; write the calibration again", path=path) from error
    except RecursionError as error:
        raise FileError("brackets without end seen, a calibration expected; write it again", path=path) from error
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        seen = document.get("format") if isinstance(document, dict) else type(document).__name__
        raise FileError(f"format {seen!r} seen, {FORMAT} expected; write the calibration again with this release", path=path)
    return document


def demand_own(document: Document, serial: str, imu: str | None) -> None:
    """Refuse the calibration of another unit, or of a sensor that is no longer in it.

    Raises
    ------
    CalibrationError
    """
    if document.get("serial") != serial:
        raise CalibrationError(
            f"the calibration is of serial {document.get('serial')!r}, this unit is {serial!r}; calibrate this unit itself"
        )
    if imu is not None and document.get("imu") not in (None, imu):
        raise CalibrationError(f"the calibration is of a {document.get('imu')}, the unit now has a {imu}; calibrate it again")


def date_text(utc_us: int) -> str:
    """Return an instant as a calibration's fields write it.

    Examples
    --------
    >>> date_text(1_777_629_600_000_000)
    '2026-05-01T10:00:00Z'
    """
    return f"{datetime.fromtimestamp(utc_us / SECOND_US, UTC):%Y-%m-%dT%H:%M:%SZ}"


def age_days(document: Document, utc_us: int) -> float:
    """Return how many days lie between an instant and the time for which a calibration is known to hold, 0 within it.

    That time is from its date to the last check that it passed; it grows as old for a day long before it as for one long after.

    Raises
    ------
    CalibrationError
        A date cannot be read.
    """
    try:
        at = datetime.fromtimestamp(utc_us / SECOND_US, UTC)
        made = datetime.fromisoformat(str(document["date_utc"]))
        last = made if document.get("checked_utc") is None else datetime.fromisoformat(str(document["checked_utc"]))
        beyond_s = max((made - at).total_seconds(), (at - max(made, last)).total_seconds(), 0.0)
    except (KeyError, ValueError, TypeError, OverflowError) as error:
        raise CalibrationError(f"the calibration's date cannot be read ({error}); calibrate again") from error
    return beyond_s / _DAY_S


def demand_fresh(document: Document, utc_us: int) -> None:
    """Refuse a calibration that is too old to be believed without a check.

    Raises
    ------
    CalibrationError
        It is stale, or its date cannot be read.
    """
    age = age_days(document, utc_us)
    if age > _STALE_DAYS:
        raise CalibrationError(
            f"the calibration is {age:.0f} days from its date and from its last check, at most {_STALE_DAYS:.0f} expected; "
            "check it against known heights ('apexfix calibrate check' notes a pass in the file), or calibrate again"
        )


def concerns(document: Document, utc_us: int, temperature_celsius: float | None) -> tuple[str, ...]:
    """Return why a calibration may no longer hold, in sentences; none where it should.

    Raises
    ------
    CalibrationError
        Its date or temperatures cannot be read.
    """
    age = age_days(document, utc_us)
    try:
        low, high = (float(value) for value in document["temperature_celsius"] or (float("nan"),) * 2)
    except (KeyError, ValueError, TypeError) as error:
        raise CalibrationError(f"the calibration's temperatures cannot be read ({error}); calibrate again") from error
    found = []
    if age > _OLD_DAYS:
        found.append(f"the calibration is {age:.0f} days old; check it against a known height, or calibrate again")
    if temperature_celsius is not None and not low - _WARMTH_C <= temperature_celsius <= high + _WARMTH_C and low == low:
        found.append(
            f"the unit was at {temperature_celsius:.0f} °C, it was calibrated from {low:.0f} to {high:.0f} °C; "
            "elevations may be off by a few tenths of a degree"
        )
    return tuple(found)


def calibration_for(folder: Path, serial: str, boot: Mapping[str, object]) -> ImuCalibration:
    """Return the calibration in force for a unit: the one in a day's folder, else the one that the unit carried.

    Parameters
    ----------
    boot
        The unit's boot record.

    Raises
    ------
    FileError
        The file in the folder cannot be read.
    CalibrationError
        It is another unit's, or a field of it cannot be.
    """
    return carried_calibration({**boot, "calibration": in_force(folder, serial, boot)})


def in_force(folder: Path, serial: str, boot: Mapping[str, object]) -> object:
    """Return the calibration object in force for a unit, as for :func:`calibration_for`."""
    path = folder / file_name(serial)
    if not path.exists():
        return boot.get("calibration")
    document = read_document(path)
    imu = boot.get("imu")
    try:
        demand_own(document, serial, None if imu is None else str(imu))
    except CalibrationError as error:
        raise CalibrationError(f"{path}: {error}") from error
    return document


def carried_part(document: Document) -> dict[str, object]:
    """Return what of a calibration is put on the unit, as `calibration` in its settings."""
    return {name: document[name] for name in CARRIED if document.get(name) is not None}
