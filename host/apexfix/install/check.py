"""The first power-up of a unit, step by step: what was seen, and where it is not right, which wire to look at."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple, Protocol

from apexfix.install import findings
from apexfix.install.findings import BUTTONS, Finding
from apexfix.install.rest import at_rest
from apexfix.install.wires import imu_wires
from apexfix.records import Boot, Damage, Press, Record, Window, scan
from apexfix.session import Identity
from apexfix.unit_state import SelfTest, self_test
from apexfix.wire import Exchange, SegmentEntry

_BY_BUTTON: Final = 1  # source of a press
_POLL_S: Final = 0.1
_SAVED_S: Final = 25.0  # a window reaches 20 s beyond its press at the most
_SETTLE_S: Final = 3.0
_TICKING_S: Final = 5.0
_EXCHANGES: Final = 5  # the quickest of them counts


class Unit(Protocol):
    """What the check needs of a session."""

    def hello(self) -> Identity:
        """Return who it is."""

    def status(self) -> dict[str, object]:
        """Return what it sees."""

    def config(self) -> dict[str, object]:
        """Return its settings."""

    def segments(self) -> tuple[SegmentEntry, ...]:
        """Return the files of its log."""

    def read_segment(self, number: int, offset: int = 0) -> Iterator[bytes]:
        """Yield the bytes of a file of its log."""

    def exchange(self) -> Exchange:
        """Return one exchange of clocks."""

    def press(self, kind: str) -> None:
        """Press a button by command."""

    def flight(self, number: int) -> None:
        """Set the flight number."""

    def locate(self) -> None:
        """Blink and beep."""


@dataclass(frozen=True, slots=True)
class Helper:
    """The person at the bench, and the time."""

    tell: Callable[[str], None]
    ask: Callable[[str], bool]  # a question with yes or no
    pause: Callable[[float], None]
    button_wait_s: float


def check(unit: Unit, helper: Helper, pins: Mapping[str, int]) -> Iterator[Finding]:
    """Walk through everything and yield what was found, in the order in which it is looked at.

    The presses that it takes stay in the unit's log; the flight number is as before.

    Raises
    ------
    UnitError
        The unit stopped answering.
    """
    who, before = unit.hello(), unit.status()
    said = findings.in_full(self_test(before), _first_words(unit))
    yield from findings.of_itself(said)
    if who.imu == "none":
        yield findings.bad("sensor", said.get("imu", ("", "none"))[1], f"look at the wires: {imu_wires(pins)}")
    else:
        yield findings.good("sensor", who.imu)
        yield from _resting(unit, helper, imu_wires(pins))
    for kind in BUTTONS:
        yield findings.stuck(said, kind, pins) or _pressed(unit, helper, pins, kind)
    yield from _light_and_sound(unit, helper, pins)
    yield findings.flash(unit.status(), said)
    yield _clock(unit, helper)
    yield findings.supply(unit.status())
    number = before.get("flight")
    if isinstance(number, int):
        unit.flight(number)  # marks and backsights of the check must not count flights


def _resting(unit: Unit, helper: Helper, wires: str) -> Iterator[Finding]:
    helper.tell("Lay the unit down the way you aim, tube level, sensor upward, and take your hands off.")
    helper.pause(_SETTLE_S)
    taken = _taken(unit, helper, lambda: unit.press("reference"), _SAVED_S)
    if taken:
        yield from at_rest(*taken[0], wires)
    else:
        yield findings.bad("rest", "the recording at rest was not saved", "see `flash` below; apexfix unit status says more")


def _pressed(unit: Unit, helper: Helper, pins: Mapping[str, int], kind: int) -> Finding:
    name, _ = BUTTONS[kind]
    taken = _taken(unit, helper, lambda: helper.tell(f"Press {name} once, briefly."), helper.button_wait_s)
    kinds = [one.press.kind for one in taken if one.press.source == _BY_BUTTON]
    return findings.button(kind, kinds, helper.button_wait_s, pins)


def _light_and_sound(unit: Unit, helper: Helper, pins: Mapping[str, int]) -> Iterator[Finding]:
    unit.locate()
    yield findings.light(helper.ask("The unit blinks and beeps for two seconds. Did its light blink?"))
    if unit.config().get("buzzer") is False:
        yield Finding("buzzer", "skipped", "switched off in the settings", "")
        return
    unit.locate()
    yield findings.buzzer(helper.ask("Again. Did it beep?"), pins)


def _clock(unit: Unit, helper: Helper) -> Finding:
    helper.tell(f"Comparing the clocks for {_TICKING_S:.0f} s.")
    first = _quickest(unit)
    helper.pause(_TICKING_S)
    return findings.clock(first, _quickest(unit))


def _quickest(unit: Unit) -> Exchange:
    return min((unit.exchange() for _ in range(_EXCHANGES)), key=findings.delay_us)


# --- presses, read back from the log: what the unit stored, not what it says


class _Taken(NamedTuple):
    press: Press
    windows: tuple[Window, ...]
    boot: Boot


def _taken(unit: Unit, helper: Helper, invite: Callable[[], None], wait_s: float) -> list[_Taken]:
    """Invite a press, wait for it and until it is saved, and return what the log then holds beyond what it held; may be empty."""
    newest = max((taken.press.sequence for taken in _log(unit)), default=0)
    before = unit.status().get("presses")
    invite()
    if _wait(helper, wait_s, lambda: unit.status().get("presses") != before):
        _wait(helper, _SAVED_S, lambda: not unit.status().get("unsaved"))
    return [taken for taken in _log(unit) if taken.press.sequence > newest]


def _first_words(unit: Unit) -> SelfTest:
    """Return the self-test of the boot record, whose texts are longer than those of a status; nothing where there is none."""
    boots = [record for record in _newest_records(unit) if isinstance(record, Boot)]
    return self_test(boots[-1].value) if boots else {}


def _log(unit: Unit) -> list[_Taken]:
    """Return the presses of the newest file of the log, each with its samples."""
    records = _newest_records(unit)
    boot = next((record for record in records if isinstance(record, Boot)), None)
    if boot is None:
        return []
    windows = [record for record in records if isinstance(record, Window)]
    presses = [record for record in records if isinstance(record, Press)]
    return [_Taken(press, tuple(w for w in windows if w.press == press.sequence), boot) for press in presses]


def _newest_records(unit: Unit) -> tuple[Record | Damage, ...]:
    newest = max((entry.number for entry in unit.segments()), default=0)
    return scan(b"".join(unit.read_segment(newest))) if newest else ()


def _wait(helper: Helper, wait_s: float, done: Callable[[], bool]) -> bool:
    for _ in range(max(1, round(wait_s / _POLL_S))):
        if done():
            return True
        helper.pause(_POLL_S)
    return False
