"""apexfix unit check: the first power-up, step by step."""

import json
import time
from collections.abc import Sequence

import click

from apexfix.cli.failure import reports_errors
from apexfix.cli.install import the_port
from apexfix.errors import UnitError
from apexfix.firmware_files import firmware_folder
from apexfix.install.check import Helper, check
from apexfix.install.findings import Finding
from apexfix.install.wires import pin_numbers
from apexfix.link import open_port
from apexfix.session import Session


@click.command("check")
@click.option("--port", help="Port of the unit; may be left out where only one USB port is in use.")
@click.option("--wait", "wait_s", type=click.FloatRange(1.0, 600.0), default=30.0, show_default=True, help="Seconds for a press.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout; questions are asked on stderr.")
@reports_errors
def check_unit(port: str | None, wait_s: float, as_json: bool) -> None:
    """Walk through the first power-up, part by part. Ends with 3 where something is bad.

    The parts are sensor, buttons, light, buzzer, flash, clock and supply. Each failure says which wire to look at. The presses that
    it takes stay in the unit's log.
    """
    helper = Helper(_tell, _ask, time.sleep, wait_s)
    with open_port(port or the_port()) as line:
        session = Session(line)
        who = session.hello()
        findings = []
        for finding in check(session, helper, pin_numbers(firmware_folder())):
            findings.append(finding)
            if not as_json:
                click.echo(_row(finding))
    if as_json:
        click.echo(_document(who.unit, findings))
    if any(finding.state == "bad" for finding in findings):
        raise click.exceptions.Exit(UnitError.exit_code)


def _tell(text: str) -> None:
    click.echo(text, err=True)


def _ask(question: str) -> bool:
    return click.confirm(question, err=True)


def _row(finding: Finding) -> str:
    row = f"{finding.state.upper() if finding.state == 'bad' else finding.state:<8}{finding.what:<18}{finding.saw}"
    return f"{row}\n{'':8}-> {finding.do}" if finding.do else row


def _document(unit: str, findings: Sequence[Finding]) -> str:
    return json.dumps({"format": 1, "unit": unit, "findings": [finding._asdict() for finding in findings]})
