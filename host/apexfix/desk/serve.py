"""The desk's place on this computer or its network, from opening it to Ctrl-C."""

import contextlib
import socket
from collections.abc import Callable
from typing import Final

from flask import Flask
from waitress.server import create_server

from apexfix.errors import ApexfixError

LOOPBACK: Final = "127.0.0.1"
_EVERYWHERE: Final = "0.0.0.0"
_THREADS: Final = 4
_MOST_CONNECTIONS: Final = 100
_IDLE_S: Final = 60
_ELSEWHERE: Final = ("192.0.2.1", 9)  # RFC 5737: nobody; choosing the way there sends nothing

# Three by five dots each, a row after the other.
_DIGITS: Final = {
    "0": "####.##.##.####", "1": ".#.##..#..#.###", "2": "###..#####..###", "3": "###..####..####", "4": "#.##.####..#..#",
    "5": "####..###..####", "6": "####..####.####", "7": "###..#.#..#..#.", "8": "####.#####.####", "9": "####.####..####",
}  # fmt: skip


class PlaceTaken(ApexfixError):
    """Another program has the address that the desk was told to use."""

    exit_code = 2


def serve(app: Flask, port: int, open_to_network: bool, ready: Callable[[int], None]) -> None:
    """Serve pages until Ctrl-C.

    Parameters
    ----------
    port
        To listen at; 0 takes any that is free.
    ready
        Told the port once pages can be asked for.

    Raises
    ------
    PlaceTaken
        The port is taken, or this computer does not allow it.
    """
    host = _EVERYWHERE if open_to_network else LOOPBACK
    try:
        place = socket.create_server((host, port))  # on Windows too it never shares a port with another program
    except OSError as error:
        raise PlaceTaken(
            f"port {port} of {host} cannot be used ({error.strerror}); is a desk running already? Choose another with --listen"
        ) from error
    server = create_server(
        app, sockets=[place], threads=_THREADS, connection_limit=_MOST_CONNECTIONS, channel_timeout=_IDLE_S, ident=None
    )
    with contextlib.closing(server):
        ready(int(place.getsockname()[1]))
        server.run()  # returns on Ctrl-C, its threads ended


def own_address() -> str | None:
    """Return the address of this computer on its network; None where it is on none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_ELSEWHERE)
        except OSError:
            return None
        return str(probe.getsockname()[0])


def large(digits: str) -> str:
    """Return digits as five rows of text.

    Examples
    --------
    >>> print(large("17"))
     #    ###
    ##      #
     #     #
     #     #
    ###    #
    """
    rows = ("   ".join(_DIGITS[digit][3 * row : 3 * row + 3] for digit in digits) for row in range(5))
    return "\n".join(row.replace(".", " ").rstrip() for row in rows)
