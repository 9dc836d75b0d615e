"""apexfix desk: a local web page of a day as it happens."""

import time
from functools import partial
from pathlib import Path

import click

from apexfix.cli.failure import reports_errors
from apexfix.cli.reduction import answered
from apexfix.desk.guard import Door, fresh_pin
from apexfix.desk.serve import LOOPBACK, large, own_address, serve
from apexfix.desk.web import desk_app
from apexfix.desk.worker import Desk, Habits
from apexfix.reduce.options import Options


@click.command()
@click.argument("day", type=click.Path(path_type=Path, file_okay=False))
@click.option("--port", "ports", multiple=True, help="Visit this serial port; may be repeated. Without it every USB port.")
@click.option("--listen", type=click.IntRange(0, 65535), default=8321, show_default=True, help="Port of the page; 0: any free one.")
@click.option("--open-to-network", is_flag=True, help="Let others on the local network see it too; they need the PIN.")
@click.option(
    "--every", "every_s", type=click.FloatRange(0.2, 60.0), default=3.0, show_default=True, help="Seconds between two visits."
)
@click.option("--feet", is_flag=True, help="Show heights in feet.")
@click.option("--open", "show", is_flag=True, help="Open the page in the browser.")
@reports_errors
def desk(day: Path, ports: tuple[str, ...], listen: int, open_to_network: bool, every_s: float, feet: bool, show: bool) -> None:
    """Show the day in the folder DAY as it happens, on a page of this computer, until Ctrl-C.

    Units are pulled by themselves when they are plugged in. The newest height stands in large figures; marks in doubt are settled
    there as ``apexfix assign`` does. No record is ever changed, and nothing is asked of the internet.
    """
    here = Desk(day, partial(answered, options=Options()), Habits(ports=ports or None, every_s=every_s, feet=feet))
    pin = fresh_pin() if open_to_network else None
    app = desk_app(here, None if pin is None else Door(pin, time.monotonic))
    here.start()
    try:
        serve(app, listen, open_to_network, partial(_ready, pin, show))
    finally:
        here.stop()
    click.echo("the desk is closed")


def _ready(pin: str | None, show: bool, port: int) -> None:
    page = f"http://{LOOPBACK}:{port}/"
    click.echo(f"the desk: {page}")
    if pin is not None:
        click.echo(f"on the network: http://{own_address() or 'ADDRESS-OF-THIS-COMPUTER'}:{port}/\n\nPIN\n\n{large(pin)}\n")
    click.echo("Ctrl-C ends it")
    if show:
        click.launch(page)
