"""The guide at the desk: waits with an end, restored settings, and prompts that a quick hand cannot outrun."""

from types import SimpleNamespace

import pytest

from apexfix.errors import UnitError
from apexfix.workshop.guide import Desk, take_at_button, take_when_still, windows_for


class Unit:
    """What the guide sees of a unit: answers of ``status`` one after the other, the last one for ever."""

    def __init__(self, *answers):
        self.answers = list(answers)
        self.settings = {"before_ms": 3000, "after_ms": 1000}
        self.pressed, self.slept_s, self.dead = [], 0.0, False

    def status(self):
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]

    def press(self, kind):
        self.pressed.append(kind)

    def config(self):
        return dict(self.settings)

    def set(self, key, value):
        if self.dead:
            raise UnitError("set: no answer in 5 tries")
        self.settings[key] = value
        assert self.settings["before_ms"] + self.settings["after_ms"] <= 20_000  # docs/protocol.md: both together at most

    def sleep(self, seconds):
        self.slept_s += seconds


def desk(unit):
    return Desk(unit, SimpleNamespace(), SimpleNamespace(), "port", unit.sleep)


def status(t_s, presses=0, still_s=None, unsaved=0):
    still = {"still": still_s is not None, "still_ms": round((still_s or 0) * 1000)}
    return {"t_us": round(t_s * 1e6), "presses": presses, "unsaved": unsaved, **still}


def test_the_host_presses_only_after_four_seconds_of_rest_in_a_new_pose():
    said = []
    unit = Unit(
        status(10.0, 5, still_s=8.0),  # still where the last pose was pressed, at 9 s
        status(12.0, 5),
        status(14.0, 5, still_s=1.2),
        status(16.0, 5, still_s=3.9),
        status(16.5, 5, still_s=4.1),
        status(17.0, 6, still_s=4.6, unsaved=1),
        status(18.0, 6, still_s=5.6),
    )
    assert take_when_still(desk(unit), 9_000_000, said.append) == 18_000_000
    assert said == ["still in the old pose", "moving", "still for 1 s of 4 s", "still for 3 s of 4 s", "still for 4 s of 4 s"]
    assert unit.pressed == ["mark"]


def test_a_unit_that_never_rests_is_given_up_after_five_minutes_without_a_press():
    unit = Unit(status(10.0))
    with pytest.raises(
        UnitError, match="did not come to rest in a new pose within 300 s; begin this step again, what was pulled is kept"
    ):
        take_when_still(desk(unit), -1, lambda text: None)
    assert unit.slept_s == pytest.approx(300.0)
    assert unit.pressed == []


def test_a_press_as_quick_as_the_prompt_is_not_missed():
    unit = Unit(status(10.0, 5))
    take_at_button(desk(unit), lambda: unit.answers.insert(0, status(10.1, 6)))
    assert unit.slept_s == 0.0


def test_a_press_is_waited_for_until_it_is_saved():
    unit = Unit(status(10.0, 5), status(11.0, 5), status(12.0, 6, unsaved=1), status(13.0, 6))
    take_at_button(desk(unit), lambda: None)
    assert len(unit.answers) == 1


def test_no_press_is_an_error_after_five_minutes():
    with pytest.raises(UnitError, match="no press of MARK came within 300 s"):
        take_at_button(desk(Unit(status(10.0, 5))), lambda: None)


@pytest.mark.parametrize(("kind", "before_ms", "after_ms"), [("pose", 4000, 1000), ("turn", 18_000, 2000), ("still", 18_000, 2000)])
def test_a_step_has_windows_long_enough_and_the_unit_gets_its_own_back(kind, before_ms, after_ms):
    unit = Unit(status(0))
    with windows_for(desk(unit), kind):
        assert unit.settings == {"before_ms": before_ms, "after_ms": after_ms}
    assert unit.settings == {"before_ms": 3000, "after_ms": 1000}


def test_also_after_an_error_or_ctrl_c():
    for trouble in (UnitError("unplugged"), KeyboardInterrupt()):
        unit = Unit(status(0))
        with pytest.raises(type(trouble)), windows_for(desk(unit), "turn"):
            raise trouble
        assert unit.settings == {"before_ms": 3000, "after_ms": 1000}


def test_a_unit_that_was_pulled_off_with_long_windows_is_told_of():
    unit = Unit(status(0))
    with (
        pytest.raises(UnitError, match="still keeps long windows: set before_ms 3000 and after_ms 1000 with `apexfix unit set`"),
        windows_for(desk(unit), "turn"),
    ):
        unit.dead = True
