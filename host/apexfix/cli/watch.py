"""apexfix unit watch: what connected units see, live, in figures for the open air."""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from typing import Final, NamedTuple

import click

from apexfix.cli.failure import reports_errors
from apexfix.errors import UnitError
from apexfix.link import candidate_ports, open_port
from apexfix.session import Identity, Patience, Session
from apexfix.unit_state import nearly_full, self_test
from apexfix.units import US

_STEADY_MS: Final = 10_000  # of rest: the unit's offset is then a mean of ten seconds
_BAR: Final = 20
_MDEG: Final = 1000.0
_QUICK: Final = Patience(answer_s=0.5, attempts=2)


class Watched(NamedTuple):
    """One connected unit."""

    port: str
    session: Session
    who: Identity


@click.command()
@click.option("--port", "ports", multiple=True, help="Watch this port; may be repeated. Without it every USB port is asked.")
@click.option("--once", is_flag=True, help="Print one reading of every unit and end.")
@click.option("--every", "every_s", type=click.FloatRange(0.1, 60.0), default=0.5, show_default=True, help="Seconds to wait.")
@reports_errors
def watch(ports: tuple[str, ...], once: bool, every_s: float) -> None:
    """Show what every unit sees, until Ctrl-C.

    That is elevation, heading, stillness, temperature, supply and clock. Trust the angles of a unit when its bar is full: it has
    then rested for ten seconds and knows its gyroscope's offset.
    """
    with _connected(ports or candidate_ports()) as units:
        if not units:
            raise UnitError("no unit answers; look at cable, power and port, or name a port with --port")
        show(units, once, every_s)


def show(units: Sequence[Watched], once: bool, every_s: float, pause: Callable[[float], None] = time.sleep) -> None:
    """Print a reading of every unit, again and again in the same place where the output is a terminal, until interrupted."""
    try:
        if not once:
            click.clear()  # on any kind of terminal; nothing where the output is a file
        while True:
            readings = "\n\n".join(_reading(unit) for unit in units)
            click.echo(readings if once else _over(readings), nl=once)
            if once:
                return
            pause(every_s)
    except KeyboardInterrupt:
        click.echo("")


def _over(text: str) -> str:
    """Return text that writes itself over the last one: a screen that is cleared every time flickers too much to be read."""
    return "\x1b[H" + "".join(f"{line}\x1b[K\n" for line in text.splitlines()) + "\x1b[J"


@contextmanager
def _connected(ports: Sequence[str]) -> Iterator[list[Watched]]:
    with ExitStack() as open_lines:
        units = []
        for port in ports:
            try:
                session = Session(open_lines.enter_context(open_port(port)), patience=_QUICK)
                units.append(Watched(port, session, session.hello()))
            except UnitError as error:
                click.echo(f"{port}: {error}", err=True)
        yield units


def _reading(unit: Watched) -> str:
    try:
        exchange, status = unit.session.exchange(), unit.session.status()
    except UnitError as error:
        return f"UNIT {unit.who.unit}  {unit.port}\n  NO ANSWER: {error}"
    # Both stamps of the host are in the exchange: what is left is when the unit was switched on.
    on_for = timedelta(seconds=int(exchange.t2_us * US))
    answer_ms = (exchange.t4_utc_us - exchange.t1_utc_us) / 1000
    return page(unit.who.unit, unit.port, status, f"on for {on_for}, boot {exchange.boot}, answers in {answer_ms:.0f} ms")


def page(name: str, port: str, status: Mapping[str, object], clock: str) -> str:
    """Return one unit's reading as text that needs no colour: what it says is in words and figures."""
    return "\n".join(
        [
            f"UNIT {name}  {port}",
            "",
            f"  ELEVATION  {_angle(status.get('elevation_mdeg')):>9}",
            f"  HEADING    {_angle(status.get('heading_mdeg')):>9}",
            f"  STEADY     {bar(status)}",
            *_axis(status.get("axis_mdeg")),
            "",
            f"  temperature {_scaled(status.get('temperature_cdeg'), 100.0, '°C')}"
            f"   supply {_scaled(status.get('supply_mv'), 1000.0, 'V')}",
            f"  clock {clock}",
            f"  flight {_whole(status.get('flight'))}   presses {_whole(status.get('presses'))}"
            f"   not saved {_whole(status.get('unsaved'))}   flights left {_whole(status.get('flights_left'))}",
            *_complaints(status),
        ]
    )


def bar(status: Mapping[str, object]) -> str:
    """Return the bar that fills while the unit rests, and what it means in words."""
    rested_ms = status.get("still_ms")
    if not status.get("still") or not isinstance(rested_ms, int):
        return f"[{'.' * _BAR}] MOVING"
    filled = min(_BAR, _BAR * rested_ms // _STEADY_MS)
    known = status.get("gyro_offset_mdps") is not None
    word = "TRUST IT" if filled == _BAR and known else f"WAIT {max(0, _STEADY_MS - rested_ms) / 1000:.0f} s"
    return f"[{'#' * filled}{'.' * (_BAR - filled)}] {word}"


def _complaints(status: Mapping[str, object]) -> list[str]:
    tests = self_test(status).items()
    bad = [f"  BAD {_printable(name)}: {_printable(text)}" for name, (state, text) in tests if state != "ok"]
    few = ["  FLASH NEARLY FULL: pull, and tidy the unit"] if nearly_full(status) else []
    said = _printable(status.get("last_error") or "").strip()
    return [*bad, *few, *([f"  LAST ERROR {said}"] if said else [])]


def _axis(mdeg: object) -> list[str]:
    """Return a line for the encoder on the stand, where there is one."""
    return [f"  AXIS       {_angle(mdeg):>9}"] if isinstance(mdeg, int) else []


def _angle(mdeg: object) -> str:
    return f"{mdeg / _MDEG:.2f}°" if isinstance(mdeg, int) else "unknown"


def _scaled(value: object, per_unit: float, unit: str) -> str:
    return f"{value / per_unit:.1f} {unit}" if isinstance(value, int) else "unknown"


def _whole(value: object) -> str:
    return str(value) if isinstance(value, int) else "unknown"


def _printable(text: object) -> str:
    return "".join(c if c.isprintable() else " " for c in str(text))
