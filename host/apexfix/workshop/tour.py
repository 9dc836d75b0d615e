"""What the builder is asked to do next, step after step."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

import numpy as np

from apexfix.calibrate.check import LEAST_TARGETS as KNOWN_TARGETS
from apexfix.calibrate.coverage import RECOMMENDED, words
from apexfix.calibrate.field_test import LEAST_SETS, LEAST_TARGETS
from apexfix.calibrate.steps import CHECK, ENCODER, POSE, SIGHTING, STAND, STILL, TEST, TURN, Step, read_steps, set_ups
from apexfix.calibrate.target import Target, demand_level
from apexfix.errors import CalibrationError
from apexfix.workshop.answers import NO_ENCODER, elevations, missing_poses, objection, still_poses
from apexfix.workshop.bench import Bench, read_bench
from apexfix.workshop.guide import Desk, keep, strike, take_at_button, take_when_still, windows_for
from apexfix.workshop.words import of_progress

Tell = Callable[[str], None]
Plan = Sequence[tuple[Step, str]]

_ROLLS: Final = ("upright", "rolled half round", "rolled a quarter to the left", "rolled a quarter to the right")
_FACES: Final = {1: "upright", 2: "rolled half round"}
_TRIES: Final = 3
_DIRECTIONS: Final = 8
MARKS_DEG: Final = tuple(float(mark) for mark in range(0, 360, 30))  # of a graduated circle


def take_poses(desk: Desk, tell: Tell) -> None:
    """Lead through the poses that are still missing; a pose that turns out to have moved is asked for again."""
    after_us, todo = -1, _missing_so_far(desk)
    tell(
        f"{len(todo)} poses, the six faces first. Ctrl-C ends; what was recorded is kept, and the same command goes on from there."
    )
    with windows_for(desk, POSE):
        for _ in range(2 * len(RECOMMENDED)):  # whoever needs twice as many does something else than is asked
            if not todo:
                return
            tell(f"{len(todo)} to go. Rest the unit against something solid: {todo[0]}.")
            after_us = take_when_still(desk, after_us, tell)
            _judge(desk, keep(desk, Step("", 0, POSE)), tell)
            bench = _bench(desk)
            tell(_agreement(bench))
            todo = missing_poses(bench)


def walk(desk: Desk, plan: Plan, tell: Tell) -> None:
    """Lead through a plan of one kind, one press of MARK for each step; what cannot be used is asked for again."""
    with windows_for(desk, plan[0][0].kind):
        for number, (step, what) in enumerate(plan, 1):
            for _ in range(_TRIES):
                take_at_button(desk, partial(tell, f"{number} of {len(plan)}: {what}"))
                if _judge(desk, keep(desk, step), tell):
                    break


def _bench(desk: Desk) -> Bench:
    return read_bench(desk.folder, desk.session.hello().serial)


def _missing_so_far(desk: Desk) -> tuple[str, ...]:
    known = any(unit.serial == desk.session.hello().serial for unit in desk.archive.units())
    return missing_poses(_bench(desk)) if known else tuple(words(pose) for pose in RECOMMENDED)


def _judge(desk: Desk, known: Step, tell: Tell) -> bool:
    """Strike a press out that cannot be used, and say why."""
    reason = objection(_bench(desk), known)
    if reason:
        tell(f"Not used: {reason}.")
        strike(desk, known)
    return not reason


def _agreement(bench: Bench) -> str:
    taken = len(still_poses(bench).used)
    try:
        return of_progress(elevations(bench), taken)
    except CalibrationError:
        return f"{taken} taken."


def sighting_plan(targets: Sequence[Target]) -> Plan:
    """Return the sightings that find the tube: every target upright and half round, level ones on the sides, too; all twice.

    Raises
    ------
    CalibrationError
        No target is level.
    """
    demand_level(targets)
    steps = []
    for target in targets:
        for roll in 2 * (_ROLLS if target.level else _ROLLS[:2]):
            steps.append((Step("", 0, SIGHTING, target.id), f"aim at {target.id}, the tube {roll}, supported; press MARK"))
    return steps


def turn_plan() -> Plan:
    """Return one turn each way about three axes."""
    lying = [words(np.array(up)) for up in ((0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0))]
    ways = ("clockwise", "against the clock")
    text = "{}: rest it on a line for 3 s, turn it once round {} in about 8 s, rest on the line for 3 s, press MARK"
    return [(Step("", 0, TURN), text.format(pose, way)) for pose in lying for way in ways]


def test_plan(targets: Sequence[Target]) -> Plan:
    """Return three sets of all targets in both faces; CalibrationError where there are fewer than three targets."""
    if len(targets) < LEAST_TARGETS:
        raise CalibrationError(
            f"{len(targets)} targets seen, {LEAST_TARGETS} or more are needed; add sharp marks to targets.csv, a line with a "
            "name each: their heights need not be known here"
        )
    return [
        (Step("", 0, TEST, target.id, face, number), f"set {number}: aim at {target.id}, the tube {_FACES[face]}; press MARK")
        for number in range(1, LEAST_SETS + 1)
        for face in _FACES
        for target in targets
    ]


def check_plan(targets: Sequence[Target]) -> Plan:
    """Return two sightings of every target of known elevation; CalibrationError where there are fewer than two."""
    known = [target for target in targets if target.elevation_rad is not None]
    if len(known) < KNOWN_TARGETS:
        raise CalibrationError(
            f"{len(known)} targets of known height seen, {KNOWN_TARGETS} or more are needed; measure others than those that the "
            "calibration came from, and add them to targets.csv"
        )
    return [(Step("", 0, CHECK, target.id), f"aim at {target.id}, press MARK") for _ in range(2) for target in known]


def still_plan() -> Plan:
    """Return the one recording at rest."""
    return [(Step("", 0, STILL), "leave the unit untouched for 20 s, then press MARK once")]


def turn_to_marks(desk: Desk, marks_deg: Sequence[float], tell: Tell) -> None:
    """Lead the stand to marks of known angle; CalibrationError where the unit sees no encoder."""
    _demand_encoder(desk)
    walk(desk, encoder_plan(marks_deg), tell)


def turn_stand(desk: Desk, tell: Tell) -> None:
    """Lead through a turn of the stand; CalibrationError where the unit sees no encoder.

    The marks are none of a flight, so the unit's flight number is put back at the end.
    """
    _demand_encoder(desk)
    flight = desk.session.status().get("flight")
    walk(desk, stand_plan(1 + set_ups(read_steps(desk.folder))), tell)
    if isinstance(flight, int):
        desk.session.flight(flight)


def _demand_encoder(desk: Desk) -> None:
    if desk.session.status().get("axis_mdeg") is None:
        raise CalibrationError(NO_ENCODER)


def encoder_plan(marks_deg: Sequence[float]) -> Plan:
    """Return one press at every mark of a turn of the stand."""
    text = "clamp the tube about level, turn the table clockwise to the mark at {:g}°; press MARK"
    return [(Step("", 0, ENCODER, f"{mark:g}"), text.format(mark)) for mark in marks_deg]


def stand_plan(number: int) -> Plan:
    """Return a turn of a stand through the horizon; the number tells one set-up from those before."""
    first = "clamp the tube about level and do not touch the clamp again; press MARK on the stand"
    then = f"turn the table clockwise by about {360 // _DIRECTIONS}°, take the hand off; press MARK"
    return [(Step("", 0, STAND, set=number), then if direction else first) for direction in range(_DIRECTIONS)]
