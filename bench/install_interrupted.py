"""The cable is pulled at a random byte of an installation: does a second one always mend it, and is the log still there?

The board is a real MicroPython with its real raw prompt and a folder as its flash. Every second installation finds a bare board,
the others one with an earlier release, settings and a log. After the cut every file that has its own name must be whole, and
there must be no main.py unless all that it needs is of the same release. Then the board is plugged in and installed again: the
files must be those of the release, settings and log unchanged, and the unit must answer and be pulled.

    python bench/install_interrupted.py [--points 40]
"""

import argparse
import hashlib
import json
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from apexfix.errors import UnitError
from apexfix.firmware_files import firmware_folder
from apexfix.install.inventory import INSTALLED, firmware_files
from apexfix.pull import pull_all
from apexfix.sim.table import on_a_table
from apexfix.sim.virtual_board import VirtualBoard


def put(board: VirtualBoard, *words: str, unplug_after_bytes: int | None = None) -> str | None:
    """Install by the command, in a process of its own; return the unit's name, or None where it ended as with the cable out."""
    board.plug_in(unplug_after_bytes)
    command = [str(Path(sys.executable).with_name("apexfix")), "unit", "install", "--port", board.port, "--json", *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode in (0, UnitError.exit_code), done.stderr
    return json.loads(done.stdout)["unit"] if done.returncode == 0 else None


def files_of(flash: Path) -> dict[str, bytes]:
    return {path.relative_to(flash).as_posix(): path.read_bytes() for path in sorted(flash.rglob("*")) if path.is_file()}


def earlier(release: dict[str, bytes]) -> dict[str, bytes]:
    """An invented release before this one: all modules differ, one is gone since."""
    return {name: content + b"# earlier\n" for name, content in release.items()} | {"unit/gone.py": b"# no longer needed\n"}


def prepare(flash: Path, old: dict[str, bytes], kept: dict[str, bytes]) -> None:
    shutil.rmtree(flash)
    flash.mkdir()
    record = {"format": 1, "files": {name: [hashlib.sha256(content).hexdigest()] for name, content in old.items()}}
    for name, content in {**old, **kept, **({INSTALLED: json.dumps(record).encode()} if old else {})}.items():
        (flash / name).parent.mkdir(exist_ok=True)
        (flash / name).write_bytes(content)


def wrong_after_cut(left: dict[str, bytes], release: dict[str, bytes], old: dict[str, bytes]) -> str:
    torn = [name for name, content in left.items() if name in release and content not in (release[name], old.get(name))]
    if torn:
        return f"torn: {torn}"
    started = left.get("main.py")
    of_one = [files for files in (release, old) if files and all(left.get(name) == content for name, content in files.items())]
    return "" if started is None or of_one else "main.py starts a mixture of two releases"


def attempt(board: VirtualBoard, at: int, release: dict[str, bytes], old: dict[str, bytes], kept: dict[str, bytes]) -> bool:
    """One cut; True where the installation was cut before its end."""
    prepare(board.flash, old, kept)
    cut = put(board, unplug_after_bytes=at) is None
    board.unplug()
    wrong = wrong_after_cut(files_of(board.flash), release, old)
    assert not wrong, f"after {at} bytes: {wrong}"
    name = put(board)
    found = files_of(board.flash)
    assert {n: c for n, c in found.items() if n in release or n.endswith(".py")} == release, f"after {at} bytes: not mended"
    assert kept.items() <= found.items(), f"after {at} bytes: log or settings changed"
    assert not [n for n in found if n.endswith(".new")], f"after {at} bytes: {sorted(found)}"
    assert name == ("u07" if kept else "unit")
    return cut


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--points", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    release, chance, cuts = firmware_files(firmware_folder()), random.Random(asked.seed), 0
    with tempfile.TemporaryDirectory() as folder, VirtualBoard(Path(folder) / "board", on_a_table(Path(folder))) as board:
        put(board, "--set", "unit", "u07")
        board.unplug()
        whole, first = board.received, files_of(board.flash)
        kept = {name: content for name, content in first.items() if name.startswith("log/") or name == "config.json"}
        for number in range(asked.points):
            old, with_it = (earlier(release), kept) if number % 2 else ({}, {})
            cuts += attempt(board, chance.randrange(1, whole), release, old, with_it)
        outcome = pull_all((board.port,), Path(folder) / "day")[0]
        assert not outcome.error, outcome.error
    told = f"{asked.points} installations of {len(release)} files, {whole} bytes each"
    print(f"{told}; {cuts} cut before their end, all mended by the next")


if __name__ == "__main__":
    main()
