"""Serial ports. The only module that knows the serial library."""

import contextlib
import errno
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

import serial
from serial.tools import list_ports

from apexfix.errors import UnitError

_BAUD: Final = 115_200  # of no meaning over USB, but some drivers want one
_READ_WAIT_S: Final = 0.05
_WRITE_WAIT_S: Final = 2.0  # a unit that does not read must not hold us
# A system's own services try a port that has just appeared; one that is still held after this is held by somebody who means it.
_BUSY_WAIT_S: Final = 1.0
_BUSY: Final = (errno.EAGAIN, errno.EBUSY)

T = TypeVar("T")


class SerialLine:
    """An open port. Reads wait briefly, writes wait boundedly; trouble of the port is a UnitError."""

    def __init__(self, name: str, port: serial.Serial) -> None:
        self._name = name
        self._port = port

    def read(self, most: int) -> bytes:
        """Return up to ``most`` bytes as soon as some are there, none after 50 ms of silence."""
        with _port_errors(self._name):
            received: bytes = self._port.read(max(1, min(most, self._port.in_waiting)))
        return received

    def write(self, data: bytes) -> None:
        """Send all the bytes, within two seconds."""
        with _port_errors(self._name):
            self._port.write(data)


@dataclass(frozen=True, slots=True)
class Found(Generic[T]):
    """What came of asking one port: an answer, or the error."""

    port: str
    answer: T | UnitError


def candidate_ports() -> tuple[str, ...]:
    """Return the ports behind a USB device. Which of them are units is found by asking, never by name."""
    return tuple(sorted(port.device for port in list_ports.comports() if port.vid is not None))


@contextlib.contextmanager
def open_port(name: str) -> Iterator[SerialLine]:
    """Open a port by its name, a pseudo-terminal's path or a pyserial URL, for us alone where the system can do that.

    What had arrived before is dropped. UnitError where the port cannot be opened.
    """
    with _port_errors(name):
        port = _opened(name)
    try:
        with _port_errors(name):
            port.reset_input_buffer()
        yield SerialLine(name, port)
    finally:
        with contextlib.suppress(OSError):  # the cable may be out; there is nothing left to lose
            port.close()


def find_units(ports: Sequence[str], ask: Callable[[SerialLine], T]) -> tuple[Found[T], ...]:
    """Return what ``ask`` got from every port, in the order of the ports; all are asked at the same time."""
    if not ports:
        return ()
    with ThreadPoolExecutor(len(ports)) as pool:
        return tuple(pool.map(lambda port: _asked(port, ask), ports))


def _asked(port: str, ask: Callable[[SerialLine], T]) -> Found[T]:
    try:
        with open_port(port) as line:
            return Found(port, ask(line))
    except UnitError as error:
        return Found(port, error)


def _opened(name: str) -> serial.Serial:
    port = serial.serial_for_url(name, baudrate=_BAUD, timeout=_READ_WAIT_S, write_timeout=_WRITE_WAIT_S, do_not_open=True)
    port.exclusive = True
    until_s = time.monotonic() + _BUSY_WAIT_S
    while True:
        try:
            port.open()
        except OSError as error:
            if error.errno not in _BUSY or time.monotonic() > until_s:
                raise
            time.sleep(_READ_WAIT_S)
        else:
            return port


@contextlib.contextmanager
def _port_errors(name: str) -> Iterator[None]:
    """Turn the library's errors into ours. Its own are OSErrors; a bad URL is a ValueError."""
    try:
        yield
    except (OSError, ValueError) as error:
        raise UnitError(f"port {name}: {error}; is the unit plugged in, and no other program using the port?") from error
