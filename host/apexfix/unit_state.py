"""What a unit says of itself, in a status or a boot record (docs/protocol.md): the parts that more than one room reads."""

from collections.abc import Mapping
from typing import Final

SelfTest = Mapping[str, tuple[str, str]]  # name -> ("ok" or "bad", text)

FEWEST_FLIGHTS: Final = 5  # with room for fewer, somebody should make room


def self_test(said: Mapping[str, object]) -> SelfTest:
    """Return the self-test that a status or a boot record carries; lines that are none are passed over.

    Examples
    --------
    >>> self_test({"selftest": [["imu", "bad", "silent"], 5]})
    {'imu': ('bad', 'silent')}
    """
    tests = said.get("selftest")
    lines = tests if isinstance(tests, list) else []
    return {str(line[0]): (str(line[1]), str(line[2])) for line in lines if isinstance(line, list) and len(line) == 3}


def nearly_full(status: Mapping[str, object]) -> bool:
    """Return whether a unit says that its flash has room for a few flights only."""
    left = status.get("flights_left")
    return isinstance(left, int) and left < FEWEST_FLIGHTS
