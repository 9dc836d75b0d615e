"""What can go wrong, named by who must act. A message says what was seen, what was expected and what to do."""

from pathlib import Path
from typing import ClassVar


class ApexfixError(Exception):
    """Base of every error that a person can act on; everything else is a bug and keeps its traceback."""

    exit_code: ClassVar[int] = 1


class UnitError(ApexfixError):
    """A sighting unit, its cable or its port did not do what was asked."""

    exit_code = 3


class FileError(ApexfixError):
    """A file cannot be used. Names the file, and where it can the line and the field."""

    exit_code = 4

    def __init__(self, message: str, *, path: Path | str, line: int | None = None, field: str | None = None):
        self.path, self.line, self.field = str(path), line, field
        place = str(path) if line is None else f"{path}, line {line}"
        super().__init__(f"{place}{f', {field}' if field else ''}: {message}")


class CalibrationError(ApexfixError):
    """A calibration is missing, stale, foreign or cannot be computed from what was recorded."""

    exit_code = 5


class ReductionError(ApexfixError):
    """The data cannot support the answer that was asked for."""

    exit_code = 5
