"""Who may see and change the desk: which names it answers to, where a change may come from, and the PIN."""

import hmac
import ipaddress
import secrets
import threading
from collections import deque
from collections.abc import Callable
from typing import Final
from urllib.parse import urlsplit

PIN_DIGITS: Final = 6
_TRIES: Final = 5  # wrong ones within the window: a stranger needs 100 000 minutes, on average, for one PIN in a million
_WINDOW_S: Final = 60.0

# Nothing from outside, no inline script or style: a name that got past the escaping would still be only text.
PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# The report is one file with its own script and style; the sandbox keeps it from the desk's pages and cookies.
REPORT_POLICY: Final = (
    "sandbox allow-scripts allow-downloads; default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class TooManyTries(Exception):
    """So many wrong PINs came that none is looked at for a while."""


class Door:
    """A PIN for everybody who is not in yet. Safe from several threads."""

    def __init__(self, pin: str, elapsed_s: Callable[[], float]):
        self._pin, self._elapsed_s = pin, elapsed_s
        self._wrong_s: deque[float] = deque(maxlen=_TRIES)
        self._lock = threading.Lock()

    def opens(self, guess: str) -> bool:
        """Return whether a guess is the PIN, in a time that tells nothing of it; spaces do not count.

        Raises
        ------
        TooManyTries
            Five wrong ones came within a minute; even the right one is refused until that is over.
        """
        now_s = self._elapsed_s()
        with self._lock:
            if len(self._wrong_s) == _TRIES and now_s - self._wrong_s[0] < _WINDOW_S:
                raise TooManyTries
            right = hmac.compare_digest("".join(guess.split()).encode(), self._pin.encode())
            if not right:
                self._wrong_s.append(now_s)
        return right


def fresh_pin() -> str:
    """Return six random digits."""
    return f"{secrets.randbelow(10**PIN_DIGITS):0{PIN_DIGITS}d}"


def is_own_host(host: str, open_to_network: bool) -> bool:
    """Return whether a Host header may name this desk: an address, or localhost, never a name that somebody else gives out.

    Examples
    --------
    >>> is_own_host("127.0.0.1:8321", False), is_own_host("localhost:8321", False), is_own_host("[::1]:8321", False)
    (True, True, True)
    >>> is_own_host("192.168.0.7:8321", False), is_own_host("192.168.0.7:8321", True), is_own_host("evil.example:8321", True)
    (False, True, False)
    """
    try:
        name = "" if "@" in host else urlsplit(f"//{host}").hostname or ""
        address = ipaddress.ip_address(name)
    except ValueError:
        return host.rsplit(":", 1)[0].lower() == "localhost"
    return address.is_loopback or open_to_network


def is_own_origin(origin: str | None, host: str) -> bool:
    """Return whether the Origin of a change is the desk itself. Every browser sends one with a form; none at all is no browser's.

    Examples
    --------
    >>> is_own_origin("http://127.0.0.1:8321", "127.0.0.1:8321"), is_own_origin("http://evil.example", "127.0.0.1:8321")
    (True, False)
    >>> is_own_origin("null", "127.0.0.1:8321"), is_own_origin(None, "127.0.0.1:8321")
    (False, False)
    """
    return origin == f"http://{host}"
