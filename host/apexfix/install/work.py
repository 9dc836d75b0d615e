"""Put the firmware and settings on a board, so that an interruption at any point is mended by doing it again."""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

from apexfix.errors import FileError, UnitError
from apexfix.firmware_files import firmware_folder
from apexfix.install.board import Facts, Told, at_prompt
from apexfix.install.inventory import (
    ARRIVING,
    INSTALLED,
    STARTER,
    Held,
    Plan,
    digest,
    firmware_files,
    plan,
    read_vouched,
    vouched_text,
)
from apexfix.link import open_port
from apexfix.session import Identity, Patience, Session

_OLDEST: Final = (1, 24)  # the oldest release against whose description (micropython-rp2-stubs) the firmware was checked
_PLATFORM: Final = "rp2"
_QUICK: Final = Patience(answer_s=0.3, start_s=3.0, attempts=2)
_SAVING_S: Final = 45.0  # two windows of the longest kind
_POLL_S: Final = 0.5

# Runs on the board with the firmware that was just installed: its own rules decide what a setting may be, and it keeps all others.
_SETTINGS: Final = """
from unit import settings
_all, _complaint = settings.load()
try:
    if _complaint:
        raise ValueError('%s on the board: %s' % (settings.FILE, _complaint))
    _new = _all
    for _key, _value in {changes!r}.items():
        _new = settings.changed(_new, _key, _value)
    if _new != _all:
        settings.save(_new)
    print('same' if _new == _all else 'set')
except ValueError as _error:
    print('refused', _error)
"""


class OnBoard(Protocol):
    """What an installation needs of a board."""

    def facts(self) -> Facts:
        """Return what the board is."""

    def files(self) -> dict[str, Held]:
        """Return every file of the flash."""

    def read(self, path: str) -> bytes:
        """Return a file's content."""

    def put(self, path: str, content: bytes, told: Told) -> None:
        """Write a file whole and checked, or not at all."""

    def remove(self, path: str) -> None:
        """Remove a file."""

    def run(self, program: str) -> str:
        """Run a program and return what it printed."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked of an installation."""

    settings: Mapping[str, object]  # changed on the board; all others stay
    replace_foreign: bool
    keep_in: Path  # where foreign files are kept on this computer before they are replaced


@dataclass(frozen=True, slots=True)
class Progress:
    """How far it is."""

    file: str
    number: int
    files: int
    done_bytes: int
    total_bytes: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was done; names of files on the board."""

    written: tuple[str, ...]
    same: tuple[str, ...]
    removed: tuple[str, ...]
    kept: tuple[Path, ...]  # copies of foreign files on this computer
    settings_changed: bool


def install(port: str, wish: Wish, say: Callable[[str], None], told: Callable[[Progress], None]) -> tuple[Outcome, Identity]:
    """Install the firmware of this installation on the board at a port, start it, and ask it who it is.

    Raises
    ------
    UnitError
        The board is none of ours, holds foreign files, is full, or did not do what was asked.
    FileError
        The firmware is missing on this computer, or the folder for foreign files exists.
    """
    wanted = firmware_files(firmware_folder())
    _let_it_save(port, say)
    with at_prompt(port) as board:
        outcome = put_all(board, wanted, wish, say, told)
    say("starting the unit")
    with open_port(port) as line:
        return outcome, Session(line).hello()


def put_all(
    board: OnBoard, wanted: Mapping[str, bytes], wish: Wish, say: Callable[[str], None], told: Callable[[Progress], None]
) -> Outcome:
    """Bring a board's files to what is wanted.

    While anything is missing there is no starter on the board: a half-installed unit stays at its prompt instead of writing
    a wrong log. ``installed.json`` goes first, so that the next attempt recognises what this one put there.
    """
    facts = board.facts()
    check_kind(facts)
    held = board.files()
    installed = board.read(INSTALLED) if INSTALLED in held else b""
    todo = plan(wanted, held, read_vouched(installed))
    check_foreign(todo, wish)
    check_room(facts, todo, sum(held[name].size for name in todo.foreign))
    kept = tuple(_keep(board, name, wish.keep_in) for name in todo.foreign)
    say(f"{len(todo.same)} of {len(wanted)} files are there already")
    if todo.write or todo.stale or todo.foreign:
        installed = vouched_text(todo.known)
        board.put(INSTALLED, installed, _ignore)
        _change(board, wanted, held, todo, told)
    finished = vouched_text({name: (digest(content),) for name, content in wanted.items()})
    if installed != finished:
        board.put(INSTALLED, finished, _ignore)
    changed = _set(board, wish.settings)
    check_all(board.files(), wanted)
    return Outcome(todo.write, todo.same, (*todo.stale, *todo.foreign), kept, changed)


def _change(
    board: OnBoard, wanted: Mapping[str, bytes], held: Mapping[str, Held], todo: Plan, told: Callable[[Progress], None]
) -> None:
    for name in dict.fromkeys((STARTER, *todo.stale, *todo.foreign)):
        if name in held and name != INSTALLED + ARRIVING:  # that one has just become INSTALLED
            board.remove(name)
    todo_now = [name for name in wanted if name in todo.write or name == STARTER]
    total, before = sum(len(wanted[name]) for name in todo_now), 0
    for number, name in enumerate(todo_now, 1):
        board.put(name, wanted[name], _progress(told, Progress(name, number, len(todo_now), before, total)))
        before += len(wanted[name])


def _progress(told: Callable[[Progress], None], at: Progress) -> Told:
    return lambda done, _: told(Progress(at.file, at.number, at.files, at.done_bytes + done, at.total_bytes))


def _ignore(_done: int, _total: int) -> None:
    """The bookkeeping is not worth a line of progress."""


def check_kind(facts: Facts) -> None:
    """Raise UnitError where the board is not one that the firmware was written for."""
    version = ".".join(map(str, facts.version))
    if facts.language != "micropython":
        raise UnitError(
            f"the board runs {facts.language} {version}, MicroPython was expected; put its image on: docs/build.md, section 5"
        )
    if facts.platform != _PLATFORM:
        raise UnitError(
            f"the board is a {facts.machine or facts.platform}, an RP2040 or its successor was expected; is this the right port?"
        )
    if facts.version < _OLDEST:
        raise UnitError(
            f"the board runs MicroPython {version}, {'.'.join(map(str, _OLDEST))} or newer was expected; "
            "put a newer image on (files and log stay): docs/build.md, section 5"
        )


def check_foreign(todo: Plan, wish: Wish) -> None:
    """Raise UnitError where the board holds files of somebody else and nobody said that they may go."""
    if todo.foreign and not wish.replace_foreign:
        raise UnitError(
            f"the board holds files that apexfix did not put there, or that were changed since: {', '.join(todo.foreign)}. "
            "Is it the right board? With --replace-foreign they are copied to this computer first and then removed or replaced"
        )


def check_room(facts: Facts, todo: Plan, freed_bytes: int) -> None:
    """Raise UnitError where the flash has no place."""
    if todo.needed_bytes > facts.free_bytes + freed_bytes:
        raise UnitError(
            f"the board's flash has {facts.free_bytes // 1024} KiB free, {todo.needed_bytes // 1024} KiB are needed; "
            "pull the log with `apexfix pull DAY --tidy` first"
        )


def check_all(held: Mapping[str, Held], wanted: Mapping[str, bytes]) -> None:
    """Raise UnitError where a file on the board is not byte for byte what was sent."""
    wrong = [name for name, content in wanted.items() if name not in held or held[name].sha256 != digest(content)]
    if wrong:
        raise UnitError(f"after all was written the checksums of {', '.join(wrong)} differ; install again, with another cable")


def _keep(board: OnBoard, name: str, folder: Path) -> Path:
    path = folder / name
    if path.exists():
        raise FileError("exists already, a free place for the board's own file expected; move it away", path=path)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(board.read(name))
    return path


def _set(board: OnBoard, changes: Mapping[str, object]) -> bool:
    if not changes:
        return False
    verdict, _, reason = board.run(_SETTINGS.format(changes=dict(changes))).strip().partition(" ")
    if verdict == "refused":
        raise UnitError(f"the firmware is installed, but not the settings: {reason}")
    return verdict == "set"


def _let_it_save(port: str, say: Callable[[str], None]) -> None:
    """Where a unit is at work, wait until its last press is on the flash: then it may be interrupted."""
    with open_port(port) as line:
        session = Session(line, patience=_QUICK)
        try:
            who = session.hello()
        except UnitError:
            return  # a board without our firmware, or with one that hangs: the prompt will tell
        say(f"{who.unit} is at work with firmware {who.firmware}; it is stopped and started again")
        until = time.monotonic() + _SAVING_S
        while session.status().get("unsaved") and time.monotonic() < until:
            time.sleep(_POLL_S)
