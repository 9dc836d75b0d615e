"""What should be on a board, what is there, and what must be done about it. Pure: bytes and names in, a plan out."""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final, NamedTuple

STARTER: Final = "main.py"  # what the board runs when it gets power
INSTALLED: Final = "installed.json"  # on the board: which contents of each file were put there by us
ARRIVING: Final = ".new"  # added to the name of a file on its way
_OURS_BY_NAME: Final = re.compile(r"config\.(json|new)|log/\d{5}\.seg|installed\.json")
_BLOCK: Final = 4096  # bytes in which the board's flash is used up (LittleFS on the RP2040 port)


class Held(NamedTuple):
    """One file on a board."""

    size: int
    sha256: str  # hexadecimal; empty for the segments of the log, which are never touched


@dataclass(frozen=True, slots=True)
class Plan:
    """What an installation has to do, in the order of its fields."""

    foreign: tuple[str, ...]  # files that nobody vouches for: of somebody else, or changed by hand
    stale: tuple[str, ...]  # ours, but of an earlier release, or half arrived
    write: tuple[str, ...]  # what differs or is missing; the starter is last
    same: tuple[str, ...]  # nothing to do
    needed_bytes: int  # of flash, beyond what is replaced
    known: Mapping[str, tuple[str, ...]]  # the contents that are ours while the installation is under way


def firmware_files(folder: Path) -> dict[str, bytes]:
    """Return the files that a unit is made of: name on the board -> content, the starter last."""
    paths = sorted(folder.rglob("*.py"), key=lambda path: (path.name == STARTER, path))
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def digest(content: bytes) -> str:
    """Return the SHA-256 of a file's content in hexadecimal."""
    return sha256(content).hexdigest()


def plan(wanted: Mapping[str, bytes], held: Mapping[str, Held], vouched: Mapping[str, tuple[str, ...]]) -> Plan:
    """Compare a board with what should be on it.

    Parameters
    ----------
    vouched
        Contents that earlier installations put there: name -> SHA-256, as read from ``installed.json``.
    """
    known = {name: tuple({*vouched.get(name, ()), digest(content)}) for name, content in wanted.items()}
    known |= {name: sums for name, sums in vouched.items() if name not in known}
    half = [name for name in held if name.endswith(ARRIVING) and name.removesuffix(ARRIVING) in {*known, INSTALLED}]
    ours = {name for name, file in held.items() if file.sha256 in known.get(name, ()) or _OURS_BY_NAME.fullmatch(name)}
    same = tuple(name for name, content in wanted.items() if name in held and held[name].sha256 == digest(content))
    write = tuple(name for name in wanted if name not in same)
    old = [name for name in held if name in vouched and name in ours and name not in wanted]
    return Plan(
        foreign=tuple(sorted(held.keys() - ours - set(half))),
        stale=tuple(sorted([*half, *old])),
        write=write,
        same=same,
        needed_bytes=_needed(wanted, held, write),
        known=known,
    )


def _needed(wanted: Mapping[str, bytes], held: Mapping[str, Held], write: tuple[str, ...]) -> int:
    """Return the flash that the files to write take beyond what they replace; each lies there twice for a moment."""
    grown = sum(_blocks(len(wanted[name])) - _blocks(held[name].size if name in held else 0) for name in write)
    twice = max((_blocks(len(wanted[name])) for name in write), default=0)
    return max(0, grown) + twice + 2 * _BLOCK if write else 0


def _blocks(size: int) -> int:
    return -(-size // _BLOCK) * _BLOCK


def vouched_text(known: Mapping[str, tuple[str, ...]]) -> bytes:
    """Return ``installed.json``."""
    return json.dumps({"format": 1, "files": {name: sorted(sums) for name, sums in sorted(known.items())}}).encode()


def read_vouched(content: bytes) -> dict[str, tuple[str, ...]]:
    """Return what ``installed.json`` vouches for: nothing where it is not one of ours, so that what differs counts as foreign."""
    try:
        return {str(name): tuple(map(str, sums)) for name, sums in json.loads(content)["files"].items()}
    except (ValueError, TypeError, KeyError, AttributeError):
        return {}
