"""A board without firmware: a real MicroPython with its raw prompt, a folder as its flash, a pseudo terminal as its USB port.

What is installed into the folder runs on the simulated hardware, as on a virtual unit. The cable can be pulled at any byte.
"""

import contextlib
import os
import select
import subprocess
import sys
import termios
import threading
import time
import tty
from pathlib import Path
from typing import Final

from apexfix.sim.virtual_unit import Hardware, environment, interpreter

_HEAP: Final = "2m"
_RAW_PROMPT: Final = b"raw REPL; CTRL-B to exit"
_TO_RAW, _TO_FRIENDLY = b"\x01"[0], b"\x02"[0]
# The terminal must be the interpreter's own: then Ctrl-C reaches it as a signal while a program runs, as a byte at the prompt.
_OWN_TERMINAL: Final = "import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); os.execv(sys.argv[1], sys.argv[1:])"
_LOCAL, _CONTROL_CHARACTERS = 3, 6  # places in the list of termios.tcgetattr


class VirtualBoard:
    """One board and its flash, a folder that outlives every plug. Use as a context manager; plug_in() gives it power and a port."""

    def __init__(self, folder: Path, hardware: Hardware):
        folder = folder.resolve()
        self.flash = folder / "flash"
        self.flash.mkdir(parents=True, exist_ok=True)
        self.port = ""
        self.received = 0  # bytes from the host since it was plugged in
        self._folder, self._hardware = folder, hardware
        self._plug: _Plug | None = None

    def __enter__(self) -> "VirtualBoard":
        return self

    def __exit__(self, *exception: object) -> None:
        self.unplug()

    def plug_in(self, unplug_after_bytes: int | None = None) -> str:
        """Power on, run main.py where there is one, and return the name of the port.

        Parameters
        ----------
        unplug_after_bytes
            Pull the cable once the host has sent so many bytes.
        """
        self.unplug()
        world_us = time.time_ns() // 1000
        variables = environment(self._folder, self._hardware, world_us, Path("."))
        (self._folder / "pace").write_text(f"live {world_us} {world_us}", encoding="utf-8")
        self._plug = _Plug(self.flash, variables, unplug_after_bytes)
        self.port = self._plug.port
        return self.port

    def unplug(self) -> None:
        """Cut the power and take the port away. May be called twice."""
        if self._plug is not None:
            self._plug.pull()
            self.received = self._plug.received
            self._plug = None


class _Plug:
    """The board under power: the interpreter behind an inner terminal, and a thread that carries bytes between it and the port."""

    def __init__(self, flash: Path, variables: dict[str, str], unplug_after_bytes: int | None):
        self.received = 0
        self._flash, self._variables = flash, variables
        self._left = unplug_after_bytes
        self._outer, self._outer_slave = os.openpty()
        tty.setraw(self._outer_slave)
        self.port = os.ttyname(self._outer_slave)
        self._raw = False
        self._hidden = False  # what the interpreter prints on its way to the raw prompt
        self._wake, self._waker = os.pipe()
        self._start()
        self._thread = threading.Thread(target=self._carry, name=f"board at {self.port}", daemon=True)
        self._thread.start()

    def pull(self) -> None:
        os.close(self._waker)
        self._thread.join()
        os.close(self._wake)

    def _start(self) -> None:
        self._inner, slave = os.openpty()
        _make_terminal_of_a_board(slave)
        variables = self._variables if self._raw else self._variables | {"APEXFIX_RUN_MAIN": "1"}
        script = Path(__file__).resolve().parent / "board" / "power.py"
        micropython = [str(interpreter()), "-X", f"heapsize={_HEAP}", "-i", str(script)]
        self._process = subprocess.Popen(
            [sys.executable, "-S", "-c", _OWN_TERMINAL, *micropython],
            stdin=slave, stdout=slave, stderr=slave, cwd=self._flash, env=variables, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self._hidden = self._raw
        if self._raw:
            os.write(self._inner, b"\x01")

    def _carry(self) -> None:
        try:
            while self._left is None or self._left > 0:
                ready = select.select([self._outer, self._inner, self._wake], [], [])[0]
                if self._wake in ready:
                    return
                if self._outer in ready:
                    self._to_board(os.read(self._outer, 4096 if self._left is None else min(4096, self._left)))
                if self._inner in ready:
                    self._to_host(_read(self._inner))
        finally:
            self._process.kill()
            self._process.wait()
            for descriptor in (self._outer, self._outer_slave, self._inner):
                os.close(descriptor)

    def _to_board(self, data: bytes) -> None:
        self.received += len(data)
        if self._left is not None:
            self._left -= len(data)
        for byte in data:
            if byte in (_TO_RAW, _TO_FRIENDLY):
                self._raw = byte == _TO_RAW
        with contextlib.suppress(OSError):  # the interpreter has just ended
            os.write(self._inner, data)

    def _to_host(self, data: bytes) -> None:
        if not data:
            self._soft_reset()
            return
        if self._hidden:
            at = data.find(_RAW_PROMPT)
            self._hidden = at < 0
            data = data[at:] if at >= 0 else b""
        os.write(self._outer, data)

    def _soft_reset(self) -> None:
        """The interpreter ended where a board's begins anew, in the mode in which it was."""
        self._process.wait()
        os.close(self._inner)
        os.write(self._outer, b"MPY: soft reboot\r\n")
        self._start()


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 4096)
    except OSError:  # nobody is at the other end
        return b""


def _make_terminal_of_a_board(slave: int) -> None:
    """Pass every byte as it is, except Ctrl-C while a program runs."""
    tty.setraw(slave)
    mode = termios.tcgetattr(slave)
    mode[_LOCAL] |= termios.ISIG | termios.NOFLSH
    for character in (termios.VQUIT, termios.VSUSP):
        mode[_CONTROL_CHARACTERS][character] = b"\0"
    termios.tcsetattr(slave, termios.TCSANOW, mode)
