"""apexfix unit install: firmware and settings onto a board."""

import json
from pathlib import Path

import click

from apexfix.cli.failure import reports_errors
from apexfix.errors import UnitError
from apexfix.install.work import Outcome, Progress, Wish, install
from apexfix.link import candidate_ports
from apexfix.session import Identity


@click.command("install")
@click.option("--port", help="Port of the board; may be left out where only one USB port is in use.")
@click.option("--set", "settings", nargs=2, multiple=True, metavar="KEY VALUE", help="Change a setting; may be repeated.")
@click.option("--replace-foreign", is_flag=True, help="Copy files that are not ours to this computer, then replace them.")
@click.option(
    "--keep-in", type=click.Path(path_type=Path, file_okay=False), default=Path("from-board"), show_default=True,
    help="Folder for the copies.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
@reports_errors
def install_unit(
    port: str | None, settings: tuple[tuple[str, str], ...], replace_foreign: bool, keep_in: Path, as_json: bool
) -> None:
    """Put firmware and settings on a board, and start it.

    Every byte is read back and compared. Log, calibration and settings stay; only what differs is written; after an interruption do
    it again.
    """
    wish = Wish({key: json_or_text(value) for key, value in settings}, replace_foreign, keep_in)
    outcome, who = install(port or the_port(), wish, _say, _show)
    click.echo(_document(outcome, who) if as_json else _text(outcome, who))


def the_port() -> str:
    """Return the only USB port; UnitError where there is none, or more than one."""
    ports = candidate_ports()
    if not ports:
        raise UnitError(
            "no board on any USB port, one was expected. A cable that only charges carries no data; "
            "a new board shows a port only after MicroPython's image is on it: docs/build.md, section 5"
        )
    if len(ports) > 1:
        raise UnitError(f"several USB ports are in use: {', '.join(ports)}; say which with --port")
    return ports[0]


def json_or_text(value: str) -> object:
    """Return what a value says as JSON, or the text itself."""
    try:
        return json.loads(value)
    except ValueError:
        return value


def _say(text: str) -> None:
    click.echo(text, err=True)


def _show(progress: Progress) -> None:
    share = f"{progress.number} of {progress.files}, {progress.done_bytes} of {progress.total_bytes} bytes"
    ended = progress.done_bytes == progress.total_bytes
    click.echo(f"\r{share}: {progress.file:<24}", nl=ended, err=True)


def _document(outcome: Outcome, who: Identity) -> str:
    return json.dumps(
        {
            "format": 1,
            "unit": who.unit,
            "serial": who.serial,
            "firmware": who.firmware,
            "imu": who.imu,
            "written": outcome.written,
            "same": outcome.same,
            "removed": outcome.removed,
            "kept": [str(path) for path in outcome.kept],
            "settings_changed": outcome.settings_changed,
        }
    )


def _text(outcome: Outcome, who: Identity) -> str:
    lines = [f"{len(outcome.written)} files written, {len(outcome.same)} were there; all have the right SHA-256 on the board"]
    lines += [f"kept: {path}" for path in outcome.kept]
    lines += [f"removed from the board: {name}" for name in outcome.removed]
    lines += [f"{who.unit} runs firmware {who.firmware}, sensor: {who.imu}; now: apexfix unit check"]
    return "\n".join(lines)
