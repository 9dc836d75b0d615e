"""Our own files must agree with each other."""

import csv
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from apexfix.cli import COMMANDS, HELP, main


@pytest.fixture(scope="module")
def project(root):
    return tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))


def test_the_imports_keep_their_directions(root):
    linter = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([linter, "--no-cache"], cwd=root, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_folder_of_code_is_in_the_wheel(root, project):
    named = set(project["tool"]["setuptools"]["packages"])
    host = {".".join(path.parent.relative_to(root / "host").parts) for path in (root / "host").rglob("*.py")}
    board = {".".join(("apexfix", *path.parent.relative_to(root).parts)) for path in (root / "firmware").rglob("*.py")}
    assert named == host | board


def test_files_that_are_not_code_are_in_the_wheel(root, project):
    patterns = project["tool"]["setuptools"]["package-data"]
    for path in (root / "host" / "apexfix").rglob("*"):
        if path.suffix in {".html", ".css", ".js", ".svg", ".png"}:
            package = next(folder for folder in path.parents if (folder / "__init__.py").is_file())
            own = patterns.get(".".join(package.relative_to(root / "host").parts), [])
            inside = path.relative_to(package)
            assert any(inside.match(pattern) for pattern in own), f"{path} would be left out of the wheel"


def test_the_wiring_table_and_the_firmware_name_the_same_pins(root):
    text = (root / "firmware" / "pins.py").read_text(encoding="utf-8")
    in_code = {name: value.strip("\"'") for name, value in re.findall(r"^([A-Z_]+) = (?:const\()?([\w\"']+)", text, re.MULTILINE)}
    with open(root / "hardware" / "wiring.csv", newline="", encoding="utf-8") as table:
        wired = {row["pins_name"]: row["board_pin"].removeprefix("GP") for row in csv.DictReader(table) if row["pins_name"]}
    assert wired.items() <= in_code.items(), f"wiring.csv says {wired}, pins.py says {in_code}"


def test_every_command_has_help_and_exists(root):
    assert COMMANDS.keys() == HELP.keys()
    for module in COMMANDS.values():
        assert (root / "host" / "apexfix" / "cli" / f"{module}.py").is_file()


@pytest.mark.parametrize("group", [(), ("unit",), ("calibrate",)])
def test_no_summary_of_a_command_is_cut_off(group):
    told = CliRunner().invoke(main, [*group, "--help"]).output
    assert "Commands:" in told
    assert "..." not in told.partition("Commands:")[2]


def test_every_command_named_in_the_pages_exists(root):
    pages = [root / "README.md", root / "DEVELOPERS.md", *sorted((root / "docs").glob("*.md"))]
    named = {(page.name, word) for page in pages for word in re.findall(r"apexfix ([a-z]+)", page.read_text(encoding="utf-8"))}
    commands_in_code = {(page, word) for page, word in named if word in COMMANDS}
    prose = {"does", "measures", "from", "in", "is", "it", "computes", "needs"}
    assert {word for _, word in named - commands_in_code} <= prose


def test_per_cent_stands_behind_a_space_everywhere(root):
    """The SI brochure, 9th edition, section 5.4.7: a space separates the number and the symbol."""
    pages = [root / "README.md", *(root / "docs").glob("*.md"), *(root / "host").rglob("*.py"), *(root / "host").rglob("*.html")]
    glued = re.compile(r":\.\d%\}|\d%(?=[ .,;:)]|$)", re.MULTILINE)
    found = {(path.name, match) for path in pages for match in glued.findall(path.read_text(encoding="utf-8"))}
    assert found == set()


def test_no_figure_with_a_sign_can_be_a_minus_before_a_zero(root):
    code = (path for path in (root / "host").rglob("*.py"))
    found = [path.name for path in code if re.search(r":\+\.[\d{]", path.read_text(encoding="utf-8"))]
    assert found == [], "write {value:+z.1f}: the z takes the minus from -0.0"


def test_every_link_of_the_pages_leads_somewhere(root):
    for page in [root / "README.md", root / "DEVELOPERS.md", *sorted((root / "docs").glob("*.md"))]:
        for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_the_protocol_level_and_version_are_the_same_everywhere(root, project):
    page = (root / "docs" / "protocol.md").read_text(encoding="utf-8")
    firmware = (root / "firmware" / "unit" / "__init__.py").read_text(encoding="utf-8")
    level = re.search(r"PROTOCOL_LEVEL = (\d+)", page)[1]
    assert re.search(r"PROTOCOL_LEVEL = (?:const\()?(\d+)", firmware)[1] == level
    assert re.search(r"PROTOCOL_LEVEL: Final = (\d+)", (root / "host/apexfix/wire.py").read_text(encoding="utf-8"))[1] == level
    assert project["project"]["version"] in firmware
