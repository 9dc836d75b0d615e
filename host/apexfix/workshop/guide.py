"""Fills a calibration folder with a live unit: waits for stillness or the button, pulls, and notes what each press was."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from apexfix.archive import Archive
from apexfix.calibrate.steps import IGNORE, Step, append_step
from apexfix.errors import UnitError
from apexfix.pull import PullOptions, pull_unit
from apexfix.records import MARK
from apexfix.session import Session

_LONGEST_WAIT_S: Final = 300.0
_POLL_S: Final = 0.1
_SETTLED_MS: Final = 4000  # of stillness, before the host presses
_WINDOWS_MS: Final = {"turn": (18_000, 2_000), "still": (18_000, 2_000)}  # before and after the press
_WINDOW_MS: Final = (4_000, 1_000)


@dataclass(frozen=True, slots=True)
class Desk:
    """A unit on the desk, and where its records go. ``pause`` waits so many seconds."""

    session: Session
    archive: Archive
    folder: Path
    port: str
    pause: Callable[[float], None]


@contextmanager
def windows_for(desk: Desk, kind: str) -> Iterator[None]:
    """Let the unit keep windows long enough for a kind of step, and give it its own settings back at the end."""
    own = desk.session.config()
    _set_windows(desk, _WINDOWS_MS.get(kind, _WINDOW_MS))
    try:
        yield
    finally:
        try:
            _set_windows(desk, (own["before_ms"], own["after_ms"]))
        except UnitError as error:
            advice = f"before_ms {own['before_ms']} and after_ms {own['after_ms']}"
            raise UnitError(f"{error}; the unit still keeps long windows: set {advice} with `apexfix unit set`") from error


def take_when_still(desk: Desk, after_us: int, tell: Callable[[str], None]) -> int:
    """Wait until the unit rests in a new pose, then press for the builder, whose hand would shake it.

    Parameters
    ----------
    after_us
        Of the press before on the unit's clock; a rest that began earlier is the old pose. -1 where there was none.

    Returns
    -------
    The unit's clock after the press.

    Raises
    ------
    UnitError
        It did not come to rest in a new pose within five minutes, or the press was not saved.
    """
    seen = [""]

    def settled(status: dict[str, object]) -> bool:
        still_ms = _whole(status, "still_ms") if status.get("still") else 0
        new = _whole(status, "t_us") - still_ms * 1000 > after_us
        word = "moving" if not still_ms else f"still for {min(still_ms, _SETTLED_MS) // 1000} s of {_SETTLED_MS // 1000} s"
        word = word if new or not still_ms else "still in the old pose"
        if word != seen[0]:
            seen[0] = word
            tell(word)
        return new and still_ms >= _SETTLED_MS

    pressed = _whole(_wait(desk, settled, "the unit did not come to rest in a new pose"), "presses")
    desk.session.press("mark")
    return _whole(_wait(desk, lambda status: _saved(status, pressed), "the press was not saved"), "t_us")


def take_at_button(desk: Desk, ask: Callable[[], None]) -> None:
    """Ask for a press of the button and wait until it is saved; UnitError where none comes within five minutes."""
    pressed = _whole(desk.session.status(), "presses")  # before it is asked for: a quick hand must not be missed
    ask()
    _wait(desk, lambda status: _saved(status, pressed), "no press of MARK came")


def strike(desk: Desk, step: Step) -> None:
    """Note that the press of a step is not to be used."""
    append_step(desk.folder, replace(step, kind=IGNORE))


def keep(desk: Desk, step: Step) -> Step:
    """Pull what the last press recorded, and write down what it was: a step whose log and record are filled in.

    Raises
    ------
    UnitError
        The transfer failed, or brought no new press.
    """
    who = desk.session.hello()
    outcome = pull_unit(desk.session, desk.archive, desk.port, PullOptions())
    if outcome.error:
        raise UnitError(outcome.error)
    marks = [p for p in desk.archive.presses() if p.serial == who.serial and p.log == who.log and p.record.kind == MARK]
    if not marks:
        raise UnitError("the unit's log holds no mark; press MARK again")
    known = replace(step, log=marks[-1].log, record=marks[-1].record.sequence)
    append_step(desk.folder, known)
    return known


def _set_windows(desk: Desk, window_ms: tuple[object, object]) -> None:
    before_ms, after_ms = window_ms
    desk.session.set("before_ms", 0)  # the unit refuses any step on the way that is too long together
    desk.session.set("after_ms", after_ms)
    desk.session.set("before_ms", before_ms)


def _saved(status: dict[str, object], pressed: int) -> bool:
    return _whole(status, "presses") > pressed and _whole(status, "unsaved") == 0


def _wait(desk: Desk, wanted: Callable[[dict[str, object]], bool], otherwise: str) -> dict[str, object]:
    for _ in range(round(_LONGEST_WAIT_S / _POLL_S)):
        status = desk.session.status()
        if wanted(status):
            return status
        desk.pause(_POLL_S)
    raise UnitError(f"{otherwise} within {_LONGEST_WAIT_S:.0f} s; begin this step again, what was pulled is kept")


def _whole(status: dict[str, object], name: str) -> int:
    value = status.get(name)
    return value if isinstance(value, int) and not isinstance(value, bool) else 0
