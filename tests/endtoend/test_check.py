"""apexfix unit check, by its own command line, on virtual units: one that is well, and others with one fault each."""

import json
import re
import subprocess
import sys
import time
from subprocess import PIPE

import pytest

from apexfix.link import open_port
from apexfix.session import Session
from apexfix.sim.table import on_a_table
from apexfix.sim.virtual_unit import VirtualUnit

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo terminals on that system")
MARK, REFERENCE = 14, 15
YES = "y\ny\n"
APEXFIX = [sys.executable, "-c", "from apexfix.cli import main; main()"]


class Bench:
    """A live unit, and a person who presses the button that is asked for."""

    def __init__(self, folder, hardware, settings):
        self.boot_us = time.time_ns() // 1000
        self.unit = VirtualUnit(folder, hardware, {"unit": "u09"} | settings)

    def __enter__(self):
        self.unit.start(self.boot_us)
        self.unit.live(self.boot_us, self.boot_us)
        return self

    def __exit__(self, *exception):
        self.unit.close()

    def press(self, pin):
        now_us = time.time_ns() // 1000
        self.unit.live(self.boot_us, self.boot_us, ((now_us + 50_000, pin, 0), (now_us + 250_000, pin, 1)))

    def check(self, answers=YES, wait_s=60, buttons=None):
        """Run the command; ``buttons`` says which pin is under the thumb where a button is asked for."""
        command = [*APEXFIX, "unit", "check", "--port", self.unit.port, "--json", "--wait", str(wait_s)]
        with subprocess.Popen(command, stdin=PIPE, stdout=PIPE, stderr=PIPE, text=True) as process:
            process.stdin.write(answers)
            process.stdin.close()
            said = []
            for line in process.stderr:
                said.append(line)
                asked = re.match(r"Press (\w+) once", line)
                if asked and buttons:
                    self.press(buttons[asked[1]])
            told = {finding["what"]: finding for finding in json.loads(process.stdout.read())["findings"]}
        assert (process.returncode == 3) == any(finding["state"] == "bad" for finding in told.values()), said
        return told


@pytest.fixture
def bench(tmp_path, micropython):
    def put(settings=None, **changes):
        return Bench(tmp_path, on_a_table(tmp_path, **changes), settings or {})

    return put


def test_a_unit_that_is_well_passes_every_step_and_counts_flights_as_before(bench):
    with bench(rate_error_ppb=20_000) as well:
        with open_port(well.unit.port) as line:
            Session(line).flight(7)
        told = well.check(buttons={"MARK": MARK, "REFERENCE": REFERENCE})
        with open_port(well.unit.port) as line:
            session = Session(line)
            session.press("reference")  # after a mark it would count one on
            assert session.status()["flight"] == 7
    assert list(told) == [
        "settings", "arithmetic", "sensor", "samples", "gravity", "gyroscope", "temperature", "way up", "button MARK",
        "button REFERENCE", "light", "buzzer", "flash", "clock", "supply",
    ]  # fmt: skip
    assert {finding["state"] for finding in told.values()} == {"ok"}, told
    assert told["sensor"]["saw"] == "MPU-6050"
    assert told["supply"]["saw"] == "4.90 V"


def test_without_a_sensor_the_four_wires_are_named_and_the_rest_goes_on(bench):
    with bench(part="none") as bare:
        told = bare.check(answers="n\nn\n", wait_s=1)
    assert told["sensor"]["state"] == "bad"
    assert "the bus shows nothing" in told["sensor"]["saw"]
    for words in ("blue, GP4 to SDA", "orange, GP5 to SCL", "red, 3V3 to VCC", "black, GND to GND"):
        assert words in told["sensor"]["do"]
    assert "gravity" not in told
    assert "no press came within 1 s" in told["button MARK"]["saw"]
    assert "green, GP14 to the MARK button" in told["button MARK"]["do"]
    assert "purple, GP15 to the REFERENCE button" in told["button REFERENCE"]["do"]
    assert told["light"]["state"] == "bad"
    assert "brown, GP16 to + of the buzzer" in told["buzzer"]["do"]
    assert told["supply"]["state"] == told["clock"]["state"] == told["flash"]["state"] == "ok"


def test_a_foreign_sensor_a_stuck_button_a_wrong_crystal_and_a_weak_supply_are_told(bench):
    faults = {"identity": 0x71, "rate_error_ppb": 2_000_000, "supply_mv": 3300}
    with bench(edges=((0, REFERENCE, 0),), settings={"buzzer": False}, **faults) as poor:
        told = poor.check(wait_s=1)
    assert "0x71" in told["sensor"]["saw"]
    assert told["button REFERENCE"]["saw"] == "it was down when the unit got power"
    assert "purple, GP15" in told["button REFERENCE"]["do"]
    assert told["buzzer"]["state"] == "skipped"
    assert told["clock"]["state"] == "bad"
    assert "3.30 V" in told["supply"]["saw"]
    assert told["supply"]["state"] == "bad"
