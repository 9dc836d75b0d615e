"""apexfix calibrate: find what a unit's sensors get wrong, and write it down for the days to come."""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.calibrate.document import (
    carried_part,
    concerns,
    date_text,
    demand_fresh,
    demand_own,
    file_name,
    read_document,
    write_document,
)
from apexfix.calibrate.steps import CHECK, SIGHTING, append_target, read_targets
from apexfix.cli.failure import reports_errors
from apexfix.link import open_port
from apexfix.session import Session
from apexfix.stands import last_turn, stand_turns
from apexfix.workshop import tour, words
from apexfix.workshop.answers import (
    checked,
    eccentricity,
    elevations,
    encoder_marks,
    gyro_matrix,
    gyro_noise,
    missing_poses,
    sighted_targets,
    still_poses,
    tested,
    tube,
    whole_turns,
)
from apexfix.workshop.bench import read_bench
from apexfix.workshop.combine import combined
from apexfix.workshop.guide import Desk

NOT_PASSED = 1
_TAPE_QUESTIONS = {
    "height": ("Height of the mark above the ground in metres", 0.01),
    "eye": ("Height of the tube's axis above the same ground in metres", 0.005),
    "distance": ("Level distance from the tube to below the mark in metres", 0.02),
}
# For programs, not for a screen.
_LONG = ("recordings", "targets", "turns", "covariance", "gyro_covariance", "encoder", "encoder_marks")


def _step(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the arguments that all steps share."""
    command = click.option("--unit", help="Name or serial of the unit, where the folder holds several.")(command)
    command = click.option("--port", help="Record with the unit at this port first; else the folder is read as it is.")(command)
    return click.argument("folder", type=click.Path(path_type=Path, file_okay=False))(command)


@click.group()
def calibrate() -> None:
    """Calibrate a unit: poses, measure, targets, turns, noise, encoder, field-test; then combine, check and load.

    Every step keeps its recordings in FOLDER, one for each unit, and can be done again or on another day. The step stand is for
    the day itself: its FOLDER is the day's.
    """


@calibrate.command()
@_step
@reports_errors
def poses(folder: Path, port: str | None, unit: str | None) -> None:
    """Find the accelerometer's errors: 18 poses at rest. Six are the least that will do."""
    if port:
        with _desk(folder, port) as desk:
            tour.take_poses(desk, _tell)
    bench = read_bench(folder, unit)
    taken = still_poses(bench)
    _tell_all(taken.refused)
    _tell_all(f"not yet taken: {pose}" for pose in missing_poses(bench))
    click.echo(words.of_elevations(elevations(bench), len(taken.used)))


@calibrate.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.argument("name")
@click.option("--level", is_flag=True, help="It was marked with a water level, at the height of the tube's axis.")
@click.option("--unknown", is_flag=True, help="Its height cannot be told; it serves to roll the tube on.")
@click.option("--height", type=float, help="Metres above the ground.")
@click.option("--eye", type=float, help="Height of the tube's axis above the same ground.")
@click.option("--distance", type=float, help="Level metres from the tube to below the mark.")
@click.option(
    "--sigma", type=float, multiple=True, help="Error to expect: of height, eye and distance in metres, or of a level in degrees."
)
@reports_errors
def measure(folder: Path, name: str, level: bool, unknown: bool, **tape: Any) -> None:
    """Write the mark NAME into FOLDER/targets.csv. Asks for the tape figures that are not given."""
    if level and unknown:
        raise click.UsageError("a mark is level or unknown, not both")
    figures = {} if unknown else _level_figures(tape["sigma"]) if level else _tape_figures(tape)
    click.echo(words.of_target(append_target(folder, name, figures)))


def _level_figures(sigma: tuple[float, ...]) -> dict[str, float]:
    question = "Error to expect of the level in degrees (4 mm over 12 m are 0.02)"
    return {"elevation_deg": 0.0, "sigma_elevation_deg": sigma[0] if sigma else click.prompt(question, default=0.02, err=True)}


def _tape_figures(tape: dict[str, Any]) -> dict[str, float]:
    figures: dict[str, float] = {}
    for n, (field, (question, usual_m)) in enumerate(_TAPE_QUESTIONS.items()):
        value, sigmas = tape[field], tape["sigma"]
        figures[f"{field}_m"] = click.prompt(question, type=float, err=True) if value is None else value
        asked = "  the error that you would expect of that, in metres"
        figures[f"sigma_{field}_m"] = sigmas[n] if len(sigmas) > n else click.prompt(asked, default=usual_m, err=True)
    return figures


@calibrate.command()
@_step
@reports_errors
def targets(folder: Path, port: str | None, unit: str | None) -> None:
    """Find where the tube points: sight marks of known height. They are those of FOLDER/targets.csv."""
    _record(folder, port, lambda: tour.sighting_plan(read_targets(folder)))
    bench = read_bench(folder, unit)
    _tell_all(sighted_targets(bench, SIGHTING).refused)
    click.echo(words.of_tube(tube(bench)))


@calibrate.command()
@_step
@reports_errors
def turns(folder: Path, port: str | None, unit: str | None) -> None:
    """Find the gyroscope's scale: whole turns about three axes. Each ends on the mark that it began on."""
    _record(folder, port, tour.turn_plan)
    bench = read_bench(folder, unit)
    _tell_all(whole_turns(bench).refused)
    click.echo(words.of_gyro(gyro_matrix(bench, elevations(bench))))


@calibrate.command()
@_step
@reports_errors
def noise(folder: Path, port: str | None, unit: str | None) -> None:
    """Find the gyroscope's noise: twenty seconds untouched."""
    _record(folder, port, tour.still_plan)
    click.echo(words.of_noise(gyro_noise(read_bench(folder, unit))))


@calibrate.command("field-test")
@_step
@reports_errors
def field_test(folder: Path, port: str | None, unit: str | None) -> None:
    """Find how well unit and observer repeat an angle. Several targets are sighted in both faces, three times."""
    _record(folder, port, lambda: tour.test_plan(read_targets(folder)))
    bench = read_bench(folder, unit)
    click.echo(words.of_field_test(tested(bench, elevations(bench))))


@calibrate.command()
@_step
@click.option(
    "--mark", "marks_deg", type=float, multiple=True,
    help="Angle of a mark in degrees, clockwise; repeat it for each. Default: every 30° of a graduated circle.",
)
@reports_errors
def encoder(folder: Path, port: str | None, unit: str | None, marks_deg: tuple[float, ...]) -> None:
    """Find how far off its axis the encoder's magnet runs. The stand is turned to twelve marks round its circle."""
    if port:
        with _desk(folder, port) as desk:
            tour.turn_to_marks(desk, marks_deg or tour.MARKS_DEG, _tell)
    bench = read_bench(folder, unit)
    _tell_all(encoder_marks(bench).refused)
    click.echo(words.of_encoder(eccentricity(bench)))


@calibrate.command()
@_step
@reports_errors
def stand(folder: Path, port: str | None, unit: str | None) -> None:
    """Find how the stand leans, on the day in FOLDER. The clamped tube is turned through the horizon."""
    if port:
        with _desk(folder, port) as desk:
            tour.turn_stand(desk, _tell)
    bench = read_bench(folder, unit)
    with open_archive(folder / ARCHIVE_NAME) as archive:
        turns, refused = stand_turns(archive, folder)
    _tell_all(refused)
    click.echo(words.of_stand(last_turn(turns, bench.serial)))


@calibrate.command()
@_step
@reports_errors
def check(folder: Path, port: str | None, unit: str | None) -> None:
    """Check FOLDER's calibration against known heights. Ends with 1 where it does not pass.

    The targets should be others than those that the calibration came from. A pass is noted in the calibration: it is good for
    two years from then.
    """
    _record(folder, port, lambda: tour.check_plan(read_targets(folder)))
    bench = read_bench(folder, unit)
    _tell_all(sighted_targets(bench, CHECK).refused)
    path = folder / file_name(bench.serial)
    document = read_document(path)
    outcome, sighted = checked(bench, document)
    click.echo(words.of_check(outcome, sighted))
    if not outcome.passed:
        raise click.exceptions.Exit(NOT_PASSED)
    write_document(path, {**document, "checked_utc": date_text(bench.utc_us(CHECK))})


@calibrate.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option("--unit", help="Name or serial of the unit, where the folder holds several.")
@reports_errors
def combine(folder: Path, unit: str | None) -> None:
    """Make the calibration of all recordings. Writes FOLDER/calibration-SERIAL.json."""
    bench = read_bench(folder, unit)
    document, remarks = combined(bench)
    _tell_all(remarks)
    path = folder / file_name(bench.serial)
    write_document(path, document)
    click.echo(f"{path}: elevations of {bench.unit} are known to {document['sigma_elevation_zero_deg']:.3f}°")


@calibrate.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--port", required=True, help="Serial port of the unit; `apexfix unit list` names those with a unit.")
@reports_errors
def load(file: Path, port: str) -> None:
    """Put a calibration on its unit. It is in force from the unit's next start."""
    document = read_document(file)
    demand_fresh(document, _now_us())
    _tell_all(concerns(document, _now_us(), None))
    with open_port(port) as line:
        session = Session(line)
        who = session.hello()
        demand_own(document, who.serial, who.imu)
        session.upload("calibration", carried_part(document))
    click.echo(f"{who.unit} carries {document['id']} from its next start; switch it off and on")


@calibrate.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@reports_errors
def show(file: Path) -> None:
    """Print a calibration, and whether it still holds. Its raw data are left out."""
    document = read_document(file)
    _tell_all(concerns(document, _now_us(), None))
    fields = (f"  {json.dumps(name)}: {json.dumps(value)}" for name, value in document.items() if name not in _LONG)
    click.echo("{\n" + ",\n".join(fields) + "\n}")


def _record(folder: Path, port: str | None, plan: Callable[[], tour.Plan]) -> None:
    if port:
        with _desk(folder, port) as desk:
            tour.walk(desk, plan(), _tell)


@contextmanager
def _desk(folder: Path, port: str) -> Iterator[Desk]:
    folder.mkdir(parents=True, exist_ok=True)
    with open_port(port) as line, open_archive(folder / ARCHIVE_NAME) as archive:
        session = Session(line)
        session.hello()
        yield Desk(session, archive, folder, port, time.sleep)


def _now_us() -> int:
    return time.time_ns() // 1000


def _tell(text: str) -> None:
    click.echo(text, err=True)


def _tell_all(texts: Any) -> None:
    for text in texts:
        _tell(text)
