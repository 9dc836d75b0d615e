"""What the presses of a calibration were: steps.csv, and the targets that were sighted: targets.csv."""

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from apexfix.calibrate.target import Tape, Target, taped_target
from apexfix.errors import CalibrationError, FileError
from apexfix.fields import suggestion
from apexfix.text_file import append_text, read_text, write_text
from apexfix.units import DEG

STEPS_NAME: Final = "steps.csv"
TARGETS_NAME: Final = "targets.csv"
POSE: Final = "pose"
SIGHTING: Final = "sighting"
TURN: Final = "turn"
STILL: Final = "still"
TEST: Final = "test"
CHECK: Final = "check"
ENCODER: Final = "encoder"
STAND: Final = "stand"
IGNORE: Final = "ignore"
KINDS: Final = (POSE, SIGHTING, TURN, STILL, TEST, CHECK, ENCODER, STAND, IGNORE)
_HEADER: Final = ("log", "record", "step", "target", "face", "set")
_TARGET_HEADER: Final = ("target", "height_m", "eye_m", "distance_m", "sigma_height_m", "sigma_eye_m", "sigma_distance_m",
                         "elevation_deg", "sigma_elevation_deg")  # fmt: skip
_TAPE: Final = _TARGET_HEADER[1:7]
_AIMED: Final = (SIGHTING, TEST, CHECK)
_LARGEST_BYTES: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Step:
    """What one mark press of a calibration was."""

    log: str
    record: int  # sequence of the press
    kind: str
    target: str = ""  # of a sighting, test or check; of an encoder's mark its angle in degrees, clockwise
    face: int = 1  # of a test: 1 upright, 2 rolled half round
    set: int = 1  # of a test; of a stand: the how many'th time it was set up


def read_steps(folder: Path) -> Mapping[tuple[str, int], Step]:
    """Return the steps that a folder names, by log and record; none where there is no file. The last line about a press counts.

    Raises
    ------
    FileError
        Names the line and the field.
    """
    path = folder / STEPS_NAME
    if not path.exists():
        return {}
    steps = [_step(path, line, row) for line, row in _rows(path, _HEADER[:3], _HEADER)]
    return {(step.log, step.record): step for step in steps}


def set_ups(steps: Mapping[tuple[str, int], Step]) -> int:
    """Return how many times a stand was set up and turned, by what presses were."""
    return max((step.set for step in steps.values() if step.kind == STAND), default=0)


def append_step(folder: Path, *steps: Step) -> None:
    """Add a line about each press, all of them or none; FileError where that fails."""
    path = folder / STEPS_NAME
    if not path.exists():
        append_text(path, ",".join(_HEADER) + "\n")
    rows = ([step.log, step.record, step.kind, step.target, step.face, step.set] for step in steps)
    append_text(path, "".join(_line(row) for row in rows))


def read_targets(folder: Path) -> tuple[Target, ...]:
    """Return the targets of a folder; none where there is no file. A target without figures is one to roll the tube on.

    Raises
    ------
    FileError
        A cell cannot be read; names the line and the field.
    CalibrationError
        Figures are missing or make no target; names the line.
    """
    path = folder / TARGETS_NAME
    if not path.exists():
        return ()
    return tuple(_target(path, line, row) for line, row in _rows(path, _TARGET_HEADER[:1], _TARGET_HEADER))


def append_target(folder: Path, name: str, figures: Mapping[str, float]) -> Target:
    """Add a line about one mark, and return what it is as a target.

    Parameters
    ----------
    figures
        By the names of the columns: all of the tape, or an elevation and its sigma, or none where its height cannot be told.

    Raises
    ------
    CalibrationError
        The name is taken or cannot be one, or the mark is of no use (too near, a negative sigma). Nothing is written then.
    FileError
        The file cannot be read or written.
    """
    path = folder / TARGETS_NAME
    if not name.strip() or name.startswith("#") or not name.isprintable():
        raise CalibrationError(f"{name!r} cannot be a mark's name; take a word such as gable")
    if any(target.id == name for target in read_targets(folder)):
        raise CalibrationError(f"{name} is in {path} already; take another name, or correct its line there")
    target = _target_of(name, figures)
    names = _header_of(path) if path.exists() else _TARGET_HEADER
    for column in ("target", *figures):
        if column not in names:
            raise FileError("this column is missing; add it to the header line", path=path, line=1, field=column)
    if not path.exists():
        write_text(path, ",".join(_TARGET_HEADER) + "\n")
    append_text(path, _line([{"target": name, **figures}.get(column, "") for column in names]))
    return target


def _header_of(path: Path) -> Sequence[str]:
    """Return the columns of a table that ends in a whole line; another's last line would swallow what is added."""
    text = read_text(path, _LARGEST_BYTES)
    if not text.endswith("\n"):
        raise FileError("the last line has no end; add a line end there", path=path, line=text.count("\n") + 1)
    first = next(line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    return [name.strip() for name in next(csv.reader([first]))]


def _line(cells: Sequence[object]) -> str:
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(cells)
    return line.getvalue()


def _rows(path: Path, needed: tuple[str, ...], known: tuple[str, ...]) -> Iterator[tuple[int, dict[str, str]]]:
    lines = [(n, text) for n, text in enumerate(read_text(path, _LARGEST_BYTES).splitlines(), 1) if text.strip()]
    lines = [(n, text) for n, text in lines if not text.lstrip().startswith("#")]
    if not lines:
        raise FileError(f"nothing seen, a header line {','.join(known)} expected", path=path)
    names = [name.strip() for name in next(csv.reader([lines[0][1]]))]
    for name in names:
        if name not in known:
            raise FileError(f"this column is not known; {suggestion(name, known)}", path=path, line=lines[0][0], field=name)
    for name in needed:
        if name not in names:
            raise FileError("this column is missing", path=path, line=lines[0][0], field=name)
    for n, text in lines[1:]:
        cells = [cell.strip() for cell in next(csv.reader([text]))]
        if len(cells) > len(names):
            raise FileError(f"{len(cells)} values seen, {len(names)} expected", path=path, line=n)
        yield n, dict(zip(names, cells, strict=False))


def _step(path: Path, line: int, row: Mapping[str, str]) -> Step:
    kind, target = row.get("step", ""), row.get("target", "")
    if kind not in KINDS:
        raise FileError(f"{kind!r} seen, one of {', '.join(KINDS)} expected", path=path, line=line, field="step")
    if kind in _AIMED and not target:
        raise FileError(f"a {kind} needs the name of its target", path=path, line=line, field="target")
    if kind == ENCODER:
        target = str(_mark_deg(target, path, line))
    face = _whole(path, line, (row, "face"))
    if face not in (1, 2):
        raise FileError(f"{face} seen, 1 (upright) or 2 (rolled half round) expected", path=path, line=line, field="face")
    return Step(row.get("log", ""), _whole(path, line, (row, "record")), kind, target, face, _whole(path, line, (row, "set")))


def _mark_deg(text: str, path: Path, line: int) -> float:
    """Return the angle of an encoder's mark; FileError where there is none."""
    found = _figure(path, line, ({"target": text}, "target"))
    if found is None:
        raise FileError("an encoder's mark needs its angle in degrees", path=path, line=line, field="target")
    return found


def _whole(path: Path, line: int, cell: tuple[Mapping[str, str], str]) -> int:
    row, name = cell
    text = row.get(name, "") or "1"
    if not (text.isascii() and text.isdigit() and len(text) < 11):
        raise FileError(f"{text!r} seen, a whole number expected", path=path, line=line, field=name)
    return int(text)


def _target(path: Path, line: int, row: Mapping[str, str]) -> Target:
    figures = {name: _figure(path, line, (row, name)) for name in _TARGET_HEADER[1:]}
    name = row.get("target", "")
    if not name:
        raise FileError("a target needs a name", path=path, line=line, field="target")
    try:
        return _target_of(name, {column: value for column, value in figures.items() if value is not None})
    except CalibrationError as error:
        raise CalibrationError(f"{path}, line {line}: {error}") from error


def _target_of(name: str, given: Mapping[str, float]) -> Target:
    if not given:
        return Target(name, None, 0.0)
    if set(given) == set(_TARGET_HEADER[7:]) and given["sigma_elevation_deg"] > 0:
        return Target(name, given["elevation_deg"] * DEG, given["sigma_elevation_deg"] * DEG)
    if set(given) == set(_TAPE):
        return taped_target(name, Tape(*(given[field] for field in _TAPE)))
    wanted = f"all of {', '.join(_TAPE)}, or elevation_deg with a sigma_elevation_deg above 0, or nothing"
    raise CalibrationError(f"{', '.join(given)} seen, {wanted} expected")


def _figure(path: Path, line: int, cell: tuple[Mapping[str, str], str]) -> float | None:
    row, name = cell
    text = row.get(name, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > 1e5:
        raise FileError(f"{text!r} seen, a number expected", path=path, line=line, field=name)
    return value
