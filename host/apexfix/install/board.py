"""A MicroPython board at its prompt. The only module that knows the library which speaks to it."""

import ast
import contextlib
import io
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from mpremote.transport import TransportError
from mpremote.transport_serial import SerialTransport

from apexfix.errors import UnitError
from apexfix.install.inventory import ARRIVING, Held, digest

Told = Callable[[int, int], None]  # bytes done, bytes in all

_CHUNK: Final = 1024  # bytes in one program sent to the board: well within its memory
_READ_WAIT_S: Final = 2.0
_PROMPT_WAIT_S: Final = 5.0
_TO_FRIENDLY_PROMPT, _SOFT_RESET = b"\r\x02", b"\x04"

# What runs on the board. Each prints one Python literal; a folder shows itself by bit 0x4000 of its mode.
_FACTS: Final = """
import os, sys
_fs = os.statvfs('.')
_imp = sys.implementation
print((_imp.name, tuple(_imp.version)[:3], sys.platform, getattr(_imp, '_machine', ''), _fs[0] * _fs[3]))
"""
_CHECKSUM: Final = """
import hashlib, os
from binascii import hexlify
def _sum(path):
    h = hashlib.sha256()
    with open(path, 'rb') as f:
        while True:
            b = f.read(512)
            if not b:
                return hexlify(h.digest()).decode()
            h.update(b)
"""
_SUM: Final = _CHECKSUM + "print(_sum({path!r}))"
_FILES: Final = (
    _CHECKSUM
    + """
def _walk(folder):
    for entry in os.ilistdir(folder or '.'):
        path = folder + entry[0]
        if entry[1] & 0x4000:
            yield from _walk(path + '/')
        else:
            yield path, os.stat(path)[6], '' if path.startswith('log/') else _sum(path)
print(list(_walk('')))
"""
)
_MAKE_FOLDER: Final = """
import os
try:
    os.mkdir({path!r})
except OSError:
    os.stat({path!r})
"""


@dataclass(frozen=True, slots=True)
class Facts:
    """What a board says it is."""

    language: str  # "micropython" or a relative
    version: tuple[int, ...]
    platform: str  # the port: "rp2"
    machine: str
    free_bytes: int


class Board:
    """A board at its raw prompt. Every wait is bounded; trouble is a UnitError that names the port."""

    def __init__(self, port: str, transport: SerialTransport) -> None:
        self._port, self._transport = port, transport

    def facts(self) -> Facts:
        """Return what the board is, and how much of its flash is free."""
        language, version, platform, machine, free_bytes = self._literal(_FACTS)
        return Facts(language, version, platform, machine, free_bytes)

    def files(self) -> dict[str, Held]:
        """Return every file of the flash, its checksum computed on the board; those of the log are only measured."""
        return {path: Held(size, checksum) for path, size, checksum in self._literal(_FILES)}

    def read(self, path: str) -> bytes:
        """Return a file's content."""
        with _transport_errors(self._port):
            content: bytes = self._transport.fs_readfile(path, _CHUNK)
        return bytes(content)

    def put(self, path: str, content: bytes, told: Told) -> None:
        """Write a file under another name, let the board compute its checksum, and only then give it its name.

        Raises
        ------
        UnitError
            The flash is full, the checksum differs, or the board fell silent; what had the name before is still there.
        """
        arriving = path + ARRIVING
        folder = path.rpartition("/")[0]
        if folder:
            self.run(_MAKE_FOLDER.format(path=folder))
        with _transport_errors(self._port):
            self._transport.fs_writefile(arriving, content, _CHUNK, told)
        found = self.run(_SUM.format(path=arriving)).strip()
        if found != digest(content):
            raise UnitError(
                f"{path} arrived on {self._port} with SHA-256 {found[:12]}..., sent was {digest(content)[:12]}...; "
                "try again with another cable; if it stays so, the board's flash is worn out"
            )
        self.run(f"import os\nos.rename({arriving!r}, {path!r})")

    def remove(self, path: str) -> None:
        """Remove a file."""
        self.run(f"import os\nos.remove({path!r})")

    def run(self, program: str) -> str:
        """Run a program on the board and return what it printed."""
        with _transport_errors(self._port):
            said: bytes = self._transport.exec(program)
        return said.decode(errors="replace")

    def _literal(self, program: str) -> Any:
        said = self.run(program).strip()
        try:
            return ast.literal_eval(said)
        except (ValueError, SyntaxError) as error:
            raise UnitError(f"the board at {self._port} answered {said[:60]!r}, a Python value was expected; try again") from error


@contextlib.contextmanager
def at_prompt(port: str) -> Iterator[Board]:
    """Stop what runs on a board, give the board at its prompt, and in the end let it start again as if it got power.

    Raises
    ------
    UnitError
        The port cannot be opened, or no prompt of MicroPython comes.
    """
    try:
        transport = SerialTransport(port, timeout=_READ_WAIT_S)
    except (OSError, TransportError) as error:
        raise UnitError(f"port {port}: {error}; is the board plugged in, and no other program using the port?") from error
    try:
        _enter(port, transport)
        yield Board(port, transport)
    finally:
        with contextlib.suppress(OSError):  # the cable may be out; there is nothing left to lose
            transport.serial.write(_TO_FRIENDLY_PROMPT + _SOFT_RESET)
        with contextlib.suppress(OSError):
            transport.close()
        with contextlib.suppress(OSError):
            transport.serial.close()  # the library leaves the port open, and locked, where the cable was out


def _enter(port: str, transport: SerialTransport) -> None:
    try:
        with contextlib.redirect_stdout(io.StringIO()), _transport_errors(port):  # the library prints what it did not expect
            transport.enter_raw_repl(timeout_overall=_PROMPT_WAIT_S)
    except UnitError as error:
        raise UnitError(
            f"{port}: no prompt of MicroPython came after Ctrl-C ({error.__cause__}). Is this the board? "
            "A new one needs MicroPython's own image first: docs/build.md, section 5. One that hangs: plug it in anew"
        ) from error


@contextlib.contextmanager
def _transport_errors(port: str) -> Iterator[None]:
    """Turn the library's errors into ours. A short answer reaches it as a struct.error, trouble of the port as an OSError."""
    try:
        yield
    except OSError as error:
        full = "flash full: pull the log and tidy the unit, or free other files" if error.errno == 28 else ""
        raise UnitError(f"{port}: {full or error}") from error
    except (TransportError, struct.error) as error:
        said = str(error).strip().splitlines()
        raise UnitError(f"{port}: the board said {said[-1] if said else 'nothing'!r}; plug it in anew and install again") from error
