"""apexfix unit: talk to connected units."""

import json
from collections.abc import Iterator
from contextlib import contextmanager

import click

from apexfix.cli.check import check_unit
from apexfix.cli.failure import reports_errors
from apexfix.cli.install import install_unit, json_or_text
from apexfix.cli.watch import watch
from apexfix.errors import UnitError
from apexfix.link import candidate_ports, find_units, open_port
from apexfix.session import Session

_port = click.option("--port", required=True, help="Serial port or pyserial URL; `apexfix unit list` names those with a unit.")


@click.group()
def unit() -> None:
    """Talk to connected units: install, check, list them, set them up."""


unit.add_command(watch)
unit.add_command(install_unit)
unit.add_command(check_unit)


@unit.command("list")
@click.option("--port", "ports", multiple=True, help="Ask this port; may be repeated. Without it every USB port is asked.")
@reports_errors
def list_units(ports: tuple[str, ...]) -> None:
    """List the units that answer."""
    click.echo("unit              port                       serial            boot  firmware  sensor")
    for found in find_units(ports or candidate_ports(), lambda line: Session(line).hello()):
        match found.answer:
            case UnitError() as error:
                click.echo(f"{found.port}: {error}", err=True)
            case who:
                click.echo(f"{who.unit:<16}  {found.port:<25}  {who.serial:<16}  {who.boot:4d}  {who.firmware:<8}  {who.imu}")


@unit.command()
@_port
@reports_errors
def status(port: str) -> None:
    """Print what the unit sees now, and its settings, as JSON."""
    with _session(port) as session:
        click.echo(json.dumps({"status": session.status(), "config": session.config()}, indent=2))


@unit.command("set")
@_port
@click.argument("key")
@click.argument("value")
@reports_errors
def set_value(port: str, key: str, value: str) -> None:
    """Change the setting KEY to VALUE: JSON, or plain text."""
    with _session(port) as session:
        session.set(key, json_or_text(value))


@unit.command()
@_port
@click.argument("number", type=click.IntRange(1, 9999))
@reports_errors
def flight(port: str, number: int) -> None:
    """Set the flight number."""
    with _session(port) as session:
        session.flight(number)


@unit.command()
@_port
@reports_errors
def locate(port: str) -> None:
    """Let the unit blink and beep for two seconds."""
    with _session(port) as session:
        session.locate()


@contextmanager
def _session(port: str) -> Iterator[Session]:
    with open_port(port) as line:
        session = Session(line)
        session.hello()  # a unit of another level must not be told anything
        yield session
