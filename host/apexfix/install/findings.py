"""What each figure of a unit's first power-up means. Pure: what the unit said in, a sentence out."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Final, Literal, NamedTuple

from apexfix.install.wires import wire
from apexfix.records import MARK, REFERENCE
from apexfix.unit_state import FEWEST_FLIGHTS, SelfTest
from apexfix.units import US
from apexfix.wire import Exchange

State = Literal["ok", "bad", "skipped"]

BUTTONS: Final = {MARK: ("MARK", "MARK_BUTTON"), REFERENCE: ("REFERENCE", "REFERENCE_BUTTON")}
_RATE_PPM: Final = 150.0  # crystals for boards are sold as within 30, temperature and age come on top; this is three times as much
_SUPPLY_MV: Final = (4000, 5500)  # 4.4 V at the end of a cable (USB 2.0, section 7.2.2), less the drop of the board's diode
_IMAGE: Final = "put MicroPython's image on anew: docs/build.md, section 5"


class Finding(NamedTuple):
    """One thing that was looked at."""

    what: str
    state: State
    saw: str
    do: str  # where it is bad


def good(what: str, saw: str) -> Finding:
    """Return a finding that is as it should be."""
    return Finding(what, "ok", saw, "")


def bad(what: str, saw: str, do: str) -> Finding:
    """Return a finding that somebody must act on."""
    return Finding(what, "bad", saw, do)


def in_full(now: SelfTest, at_boot: SelfTest) -> SelfTest:
    """Return what the unit says now, with the longer texts of its boot record where nothing has changed since."""
    unchanged = {name for name, (state, _) in now.items() if at_boot.get(name, ("", ""))[0] == state}
    return {name: at_boot[name] if name in unchanged else said for name, said in now.items()}


def of_itself(said: SelfTest) -> Iterator[Finding]:
    """Yield what the unit found out without anybody's help."""
    advice = {"settings": "send the settings again: apexfix unit set", "arithmetic": _IMAGE}
    for name, do in advice.items():
        state, text = said.get(name, ("bad", "the unit says nothing about it"))
        yield good(name, text) if state == "ok" else bad(name, text, do)


def stuck(said: SelfTest, kind: int, pins: Mapping[str, int]) -> Finding | None:
    """Return what is wrong with a button that was down when the unit got power, or None."""
    name, pin = BUTTONS[kind]
    state, text = said.get("buttons", ("ok", ""))
    if state == "ok" or name.lower() not in text:
        return None
    do = f"look at the wire: {wire(pin, pins)}: does it touch a black one? Turn a button with four legs by a quarter"
    return bad(f"button {name}", "it was down when the unit got power", do)


def button(kind: int, kinds: Sequence[int], wait_s: float, pins: Mapping[str, int]) -> Finding:
    """Return what the presses say that came when a button was asked for."""
    name, pin = BUTTONS[kind]
    what = f"button {name}"
    if not kinds:
        do = f"look at the wire: {wire(pin, pins)}, and at the black one from its other leg to GND"
        return bad(what, f"no press came within {wait_s:.0f} s", do)
    if kinds[0] != kind:
        other, other_pin = BUTTONS[kinds[0]]
        return bad(what, f"the unit saw {other}", f"exchange the wires at the board: {wire(pin, pins)}; {wire(other_pin, pins)}")
    return good(what, f"{'one press' if len(kinds) == 1 else f'{len(kinds)} presses'}, saved and read back")


def light(seen: bool) -> Finding:
    """Return what the light's not being seen means."""
    do = "no wire is yours here, the light sits on the board; is it the board that the parts list names?"
    return good("light", "seen") if seen else bad("light", "not seen", do)


def buzzer(heard: bool, pins: Mapping[str, int]) -> Finding:
    """Return what the buzzer's not being heard means."""
    do = (
        f"look at the wire: {wire('BUZZER', pins)} through the resistor, and at the black one from - to GND; "
        "is it a passive buzzer, with + on the brown wire?"
    )
    return good("buzzer", "heard") if heard else bad("buzzer", "not heard", do)


def flash(status: Mapping[str, object], said: SelfTest) -> Finding:
    """Return what a status says about the flash."""
    state, text = said.get("log", ("bad", "the unit says nothing about its log"))
    free, left = status.get("free_bytes"), status.get("flights_left")
    if state != "ok":
        return bad("flash", text, f"no wire is yours here; {_IMAGE}")
    if not isinstance(left, int) or not isinstance(free, int) or left < FEWEST_FLIGHTS:
        return bad("flash", f"room for {left} flights", "pull the log and make room: apexfix pull DAY --tidy")
    return good("flash", f"{free // 1024} KiB free, room for {left} flights")


def delay_us(exchange: Exchange) -> int:
    """Return the time on the line, both ways together (RFC 5905, section 8)."""
    return (exchange.t4_utc_us - exchange.t1_utc_us) - (exchange.t3_us - exchange.t2_us)


def clock(first: Exchange, last: Exchange) -> Finding:
    """Return how fast the unit's clock runs between two exchanges; each is wrong by half its delay at the most."""
    host_us = last.monotonic_us - first.monotonic_us + (delay_us(last) - delay_us(first)) / 2
    unit_us = (last.t2_us + last.t3_us - first.t2_us - first.t3_us) / 2
    rate_ppm = (unit_us / host_us - 1) * 1e6
    unsure_ppm = (delay_us(first) + delay_us(last)) / 2 / host_us * 1e6
    saw = f"{rate_ppm:+z.0f} ppm against this computer, to {unsure_ppm:.0f} ppm, over {host_us * US:.0f} s"
    if abs(rate_ppm) > _RATE_PPM + unsure_ppm:
        return bad("clock", saw, "no wire is yours here: the board's crystal is wrong, take another board")
    return good("clock", saw)


def supply(status: Mapping[str, object]) -> Finding:
    """Return what a status says about the supply."""
    supply_mv = status.get("supply_mv")
    if not isinstance(supply_mv, int):
        return Finding("supply", "skipped", "this board does not measure it", "")
    low, high = _SUPPLY_MV
    if low <= supply_mv <= high:
        return good("supply", f"{supply_mv / 1000:.2f} V")
    do = "try another USB lead and another socket; is a red wire on VBUS, or something else fed from it?"
    return bad("supply", f"{supply_mv / 1000:.2f} V, {low / 1000} to {high / 1000} V expected", do)
