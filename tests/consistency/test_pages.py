"""The commands of the pages are run, in their order, as a reader would; every command and option is on a page."""

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import click
import pytest
from click.testing import CliRunner

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.cli import main
from apexfix.link import open_port
from apexfix.pull import pull_all
from apexfix.session import Session
from apexfix.sim.table import on_a_table
from apexfix.sim.virtual_board import VirtualBoard

ROOT = Path(__file__).resolve().parents[2]
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
ANSWERS = {  # what a reader would type
    "apexfix enter": "9\n47 30\n274\n45,5\n9\nq\n",
    "apexfix unit check": "y\ny\n",
}
ENDLESS = ("apexfix unit watch", "apexfix desk")  # started, seen to answer, and ended with Ctrl-C
ENDS_WITH = {  # other than 0
    "apexfix reduce": {0, 1},  # some flight of the day is unsolved: the virtual unit lies on a table
    "apexfix compare": {0, 1},  # as of reduce
    "apexfix unit check": {3},  # nobody is there to press
}
NOT_HERE = ("python3 -m venv", "apexfix-env/bin/pip", "make demo", "make test", "sudo")  # CI's own command, or the whole main job
MADE_FOR_A_DESK = {"calibrate": "its steps are walked through by tests/endtoend/test_calibrate_cli.py"}


@dataclass(frozen=True)
class Command:
    """One command as it stands on a page."""

    page: str
    line: int
    text: str

    def __str__(self):
        return f"{self.page}, line {self.line}: {self.text}"


def commands_of(page, text):
    """Every line of a fenced block that a reader would type, without the prompt and the remark behind it."""
    found = []
    for block in FENCE.finditer(text):
        first = text.count("\n", 0, block.start()) + 2
        for number, line in enumerate(block[2].splitlines(), first):
            typed = re.match(r"(?:\$ )?((?:apexfix|make|python3|apexfix-env/bin/\S+)(?: .*)?)$", line)
            if typed and block[1] not in ("toml", "csv", "json", "python"):
                text_alone = re.split(r"\s{2,}#|\s# ", typed[1])[0].strip()
                found.append(Command(page, number, text_alone.replace("apexfix-env/bin/apexfix", "apexfix")))
    return found


def mentions_of(page, text):
    """Commands in running text: `apexfix unit list`."""
    return [
        Command(page, text.count("\n", 0, found.start()) + 1, " ".join(found[1].split()))
        for found in re.finditer(r"`(apexfix [^`]+)`", FENCE.sub(lambda block: "\n" * block[0].count("\n"), text))
    ]


def wrong_in(command):
    """What a command names that the command line does not have; empty where it has all."""
    words = shlex.split(command.text)[1:]
    here, path = main, "apexfix"
    while isinstance(here, click.Group) and words and not words[0].startswith("-"):
        name = words.pop(0)
        if name in ("", "...") or name.isupper():
            return ""
        below = here.get_command(click.Context(here), name)
        if below is None:
            return f"{command}: there is no command {path} {name}"
        here, path = below, f"{path} {name}"
    known = {"--help", "-h", "--version"} | {option for parameter in here.params for option in parameter.opts}
    unknown = [word for word in words if word.startswith("--") and word.split("=")[0] not in known]
    return f"{command}: {path} has no option {', '.join(unknown)}" if unknown else ""


def pages(root):
    paths = [root / "README.md", *sorted((root / "docs").glob("*.md"))]
    return {path.relative_to(root).as_posix(): path.read_text(encoding="utf-8") for path in paths}


def every_command(group=main, path="apexfix"):
    for name in group.list_commands(click.Context(group)):
        command = group.get_command(click.Context(group), name)
        if isinstance(command, click.Group):
            yield from every_command(command, f"{path} {name}")
        else:
            yield f"{path} {name}", command


# --- what is named


def test_every_command_and_option_that_a_page_names_exists(root):
    found = [command for page, text in pages(root).items() for command in [*commands_of(page, text), *mentions_of(page, text)]]
    ours = [command for command in found if command.text.startswith("apexfix ")]
    assert len(ours) > 40
    assert [wrong for wrong in map(wrong_in, ours) if wrong] == []


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("$ apexfix pull my-day ", "$ apexfix fetch my-day ", "README.md, line {line}: apexfix fetch my-day: there is no command"),
        ("--stations 2", "--observers 2", "apexfix plan has no option --observers"),
    ],
)
def test_a_renamed_command_is_noticed_by_its_page_and_line(root, right, wrong, words):
    text = (root / "README.md").read_text(encoding="utf-8")
    assert right in text
    line = text.count("\n", 0, text.index(right)) + 1
    commands = commands_of("README.md", text.replace(right, wrong, 1))
    (complaint,) = filter(None, (wrong_in(command) for command in commands if command.text.startswith("apexfix ")))
    assert words.format(line=line) in complaint


def test_a_renamed_mention_is_noticed(root):
    (command,) = mentions_of("x.md", "one\ntwo `apexfix unit\nlist` three")
    assert wrong_in(command) == ""
    (command,) = mentions_of("x.md", "one\ntwo `apexfix unit catalogue` three")
    assert wrong_in(command) == "x.md, line 2: apexfix unit catalogue: there is no command apexfix unit catalogue"


def test_every_command_and_every_option_is_on_a_page(root):
    text = "\n".join(pages(root).values())
    missing = []
    for path, command in every_command():
        options = [o for p in command.params if isinstance(p, click.Option) for o in p.opts if o.startswith("--")]
        named = path if path in text else ""
        missing += [] if named or path.split()[1] in MADE_FOR_A_DESK else [path]
        missing += [f"{path} {option}" for option in options if not re.search(rf"{option}\b", text)]
    assert missing == []


def test_every_target_of_make_that_a_page_names_exists(root):
    targets = set(re.findall(r"^(\w+):", (root / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))
    named = {word for text in pages(root).values() for word in re.findall(r"(?:`|^)make (\w+)", text, re.MULTILINE)}
    assert {"demo", "test", "hardware"} <= named <= targets


# --- what is run


@pytest.fixture(scope="module")
def unit(root, tmp_path_factory, micropython):
    """A unit named u01 on a table, with a mark and a backsight in its log."""
    if sys.platform == "win32":
        pytest.skip("there are no pseudo terminals on that system")
    folder = tmp_path_factory.mktemp("unit")
    shutil.copytree(root / "firmware", folder / "flash", ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "flash" / "config.json").write_text('{"unit": "u01"}')
    with VirtualBoard(folder, on_a_table(folder)) as unit:
        unit.plug_in()
        with open_port(unit.port) as line:
            session = Session(line)
            for kind in ("reference", "mark"):
                session.press(kind)
                while session.status()["unsaved"]:
                    pass
        yield unit


@pytest.fixture
def reader(root, tmp_path, unit, monkeypatch):
    """What a reader has at hand: the pages' folder, a day with hand readings and a unit, the rockets, the outline of the guide."""
    shutil.copytree(root / "docs", tmp_path / "docs")
    for day in ("my-day", "their-day"):
        shutil.copytree(root / "docs" / "example-day", tmp_path / day)
        site = (tmp_path / day / "site.toml").read_text(encoding="utf-8")
        (tmp_path / day / "site.toml").write_text(site.replace('id = "South"\n', 'id = "South"\nunit = "u01"\n'), encoding="utf-8")
        assert not pull_all((unit.port,), tmp_path / day)[0].error
    # the heights of the example day ask for more pressure than a bottle may hold, and `predict` refuses that
    for name, like in (("my-rocket.toml", "water.toml"), ("rocket.toml", "burnout.toml")):
        shutil.copy(root / "docs" / "example-rockets" / like, tmp_path / name)
    blocks = FENCE.finditer((root / "docs" / "guide.md").read_text(encoding="utf-8"))
    outline = next(block[2] for block in blocks if "[rectangle]" in block[2])
    shutil.copy(root / "docs" / "example-day" / "altimeter.csv", tmp_path)
    (tmp_path / "meadow.toml").write_text(outline, encoding="utf-8")
    with open_archive(tmp_path / "my-day" / ARCHIVE_NAME) as archive:
        mark = next(press for press in archive.presses() if press.record.kind == 1)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [SimpleNamespace(device=unit.port, vid=0x2E8A)])
    return {"/dev/ttyACM0": unit.port, "u01-9f3a-57": f"u01-{mark.log[:4]}-{mark.record.sequence}"}


def run(command, text):
    if text.startswith("make "):
        make = ["make", "--dry-run", text.split()[1], f"--directory={ROOT}"]
        done = subprocess.run(make, capture_output=True, text=True)
        assert done.returncode == 0, f"{command}\n{done.stderr}"
        return
    words = shlex.split(text)[1:]
    if text.startswith(ENDLESS):
        start_and_stop(command, words)
        return
    done = CliRunner().invoke(main, words, input=next((said for name, said in ANSWERS.items() if text.startswith(name)), None))
    expected = next((codes for name, codes in ENDS_WITH.items() if text.startswith(name)), {0})
    assert done.exit_code in expected, f"{command}\nended with {done.exit_code}: {done.exception!r}\n{done.output[-2000:]}"


def start_and_stop(command, words):
    with subprocess.Popen(
        [sys.executable, "-c", "from apexfix.cli import main; main()", *words],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:  # fmt: skip
        guard = threading.Timer(30.0, process.kill)
        guard.start()
        first = process.stdout.readline()
        process.send_signal(signal.SIGINT)
        rest = process.stdout.read()
        guard.cancel()
    assert process.returncode in (0, 1, 130), f"{command}\n{first}{rest}"  # 1: click's "Aborted!"
    assert first.strip(), f"{command} said nothing"


def as_here(text, reader):
    for there, here in reader.items():
        text = text.replace(there, here)
    if text == "apexfix unit check":
        text += " --wait 1"  # nobody is there to press
    if text.startswith("apexfix desk"):
        text += " --listen 0"  # whatever else uses the usual port
    if text.startswith("apexfix plan"):
        text = text.replace("--out my-day", "--out planned-day")  # on the page it comes before there is a day
    return text


@pytest.mark.parametrize("page", [page for page, text in pages(ROOT).items() if commands_of(page, text)])
def test_every_command_of_a_page_runs(root, reader, page):
    for command in commands_of(page, (root / page).read_text(encoding="utf-8")):
        if not command.text.startswith(NOT_HERE):
            run(command, as_here(command.text, reader))
