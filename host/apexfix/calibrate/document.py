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
# What goes to the unit; the raw data and the covariance stay on the host.
CARRIED: Final = (
    "id", "serial", "imu", "date_utc", "temperature_celsius", "accel_offset_g", "accel_matrix", "gyro_matrix", "tube_body",
    "sigma_elevation_zero_deg", "sigma_elevation_deg", "sigma_azimuth_deg",
)  # fmt: skip
_LARGEST_BYTES: Final = 16 << 20
_OLD_DAYS: Final = 365.0
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


def concerns(document: Document, utc_us: int, temperature_celsius: float | None) -> tuple[str, ...]:
    """Return why a calibration may no longer hold, in sentences; none where it should.

    Raises
    ------
    CalibrationError
        Its date or temperatures cannot be read.
    """
    try:
        made = datetime.fromisoformat(str(document["date_utc"]))
        low, high = (float(value) for value in document["temperature_celsius"] or (float("nan"),) * 2)
        age_days = (datetime.fromtimestamp(utc_us / SECOND_US, UTC) - made).total_seconds() / 86400
    except (KeyError, ValueError, TypeError) as error:
        raise CalibrationError(f"the calibration's date or temperatures cannot be read ({error}); calibrate again") from error
    found = []
    if age_days > _OLD_DAYS:
        found.append(f"the calibration is {age_days:.0f} days old; check it against a known height, or calibrate again")
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
