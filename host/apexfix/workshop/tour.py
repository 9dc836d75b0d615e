"""What the builder is asked to do next, step after step."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

import numpy as np

from apexfix.calibrate.coverage import RECOMMENDED, words
from apexfix.calibrate.steps import CHECK, POSE, SIGHTING, STILL, TEST, TURN, Step
from apexfix.calibrate.target import Target
from apexfix.units import DEG
from apexfix.workshop.answers import missing_poses, still_poses, whole_turns
from apexfix.workshop.bench import read_bench
from apexfix.workshop.guide import Desk, keep, take_at_button, take_when_still, windows_for

Tell = Callable[[str], None]
Plan = Sequence[tuple[Step, str]]

_LEVEL_RAD: Final = 5.0 * DEG  # a target no steeper is sighted with the tube on its sides, too: only there do they show
_ROLLS: Final = ("upright", "rolled half round", "rolled a quarter to the left", "rolled a quarter to the right")
_FACES: Final = {1: "upright", 2: "rolled half round about the tube"}
_SETS: Final = 3


def take_poses(desk: Desk, tell: Tell) -> None:
    """Lead through the poses that are still missing; a pose that turns out to have moved is asked for again."""
    serial, after_us = desk.session.hello().serial, -1
    todo: tuple[str, ...] = tuple(words(pose) for pose in RECOMMENDED)
    with windows_for(desk, POSE):
        for _ in range(2 * len(RECOMMENDED)):  # whoever needs twice as many does something else than is asked
            tell(f"{len(todo)} to go. Rest the unit against something solid: {todo[0]}.")
            after_us = take_when_still(desk, after_us, tell)
            keep(desk, Step("", 0, POSE))
            bench = read_bench(desk.folder, serial)
            for reason in still_poses(bench).refused[-1:]:
                tell(reason)
            todo = missing_poses(bench)
            if not todo:
                return


def walk(desk: Desk, plan: Plan, tell: Tell) -> None:
    """Lead through a plan, one press of MARK for each step."""
    for number, (step, what) in enumerate(plan, 1):
        with windows_for(desk, step.kind):
            take_at_button(desk, partial(tell, f"{number} of {len(plan)}: {what}"))
            keep(desk, step)
        if step.kind == TURN:
            for reason in whole_turns(read_bench(desk.folder, desk.session.hello().serial)).refused[-1:]:
                tell(reason)


def sighting_plan(targets: Sequence[Target]) -> Plan:
    """Return the sightings that find the tube: every target upright and half round, level ones on the sides, too; all twice."""
    steps = []
    for target in targets:
        level = target.elevation_rad is None or abs(target.elevation_rad) < _LEVEL_RAD
        for roll in 2 * (_ROLLS if level else _ROLLS[:2]):
            steps.append((Step("", 0, SIGHTING, target.id), f"aim at {target.id}, the tube {roll}, supported; press MARK"))
    return steps


def turn_plan() -> Plan:
    """Return one turn each way about three axes."""
    lying = [words(np.array(up)) for up in ((0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0))]
    ways = ("clockwise", "against the clock")
    text = "{}: rest it on a line for 3 s, turn it once round {} in about 8 s, rest on the line for 3 s, press MARK"
    return [(Step("", 0, TURN), text.format(pose, way)) for pose in lying for way in ways]


def test_plan(targets: Sequence[Target]) -> Plan:
    """Return three sets of all targets in both faces."""
    return [
        (Step("", 0, TEST, target.id, face, number), f"set {number}: aim at {target.id}, the tube {_FACES[face]}; press MARK")
        for number in range(1, _SETS + 1)
        for face in _FACES
        for target in targets
    ]


def check_plan(targets: Sequence[Target]) -> Plan:
    """Return two sightings of every target of known elevation."""
    known = [target for target in targets if target.elevation_rad is not None]
    return [(Step("", 0, CHECK, target.id), f"aim at {target.id}, press MARK") for _ in range(2) for target in known]


def still_plan() -> Plan:
    """Return the one recording at rest."""
    return [(Step("", 0, STILL), "leave the unit untouched for 20 s, then press MARK once")]
