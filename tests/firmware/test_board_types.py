"""Every name that the firmware uses exists on the board, and every call fits: mypy with the board's own modules alone."""

import os
import shutil
import subprocess
import sys
from importlib import metadata
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
FIRMWARE = HERE.parents[1] / "firmware"
STUBS = ("micropython-rp2-stubs", "micropython-stdlib-stubs")


@pytest.fixture(scope="module")
def board_modules(tmp_path_factory):
    """The description of the board in a folder of its own: neither this computer's modules nor the simulated ones are beside it."""
    folder = tmp_path_factory.mktemp("stubs")
    for name in STUBS:
        for file in metadata.files(name):
            if file.suffix == ".pyi" or file.name == "VERSIONS":
                (folder / file).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(file.locate(), folder / file)
    return folder


@pytest.fixture(scope="module")
def complaints(board_modules, tmp_path_factory):
    cache = tmp_path_factory.mktemp("cache")

    def check(firmware):
        words = ["--custom-typeshed-dir", board_modules, "--no-site-packages", "--no-error-summary", "--cache-dir", cache, "."]
        done = subprocess.run(
            [Path(sys.executable).with_name("mypy"), "--config-file", HERE / "board_types.ini", *words],
            cwd=firmware, env={**os.environ, "MYPYPATH": str(board_modules)}, capture_output=True, text=True,
        )  # fmt: skip
        assert done.stderr == ""
        return [line for line in done.stdout.splitlines() if ": note:" not in line]

    return check


def test_the_firmware_fits_the_board(complaints):
    assert complaints(FIRMWARE) == []


@pytest.mark.parametrize(
    ("file", "right", "wrong", "words"),
    [
        ("unit/sampler.py", "Timer.PERIODIC", "Timer.REPEATING", '"REPEATING"'),
        ("unit/sampler.py", "period=self._period_ms", "perod=self._period_ms", "init"),
        ("unit/buttons.py", "Pin.PULL_UP", "Pin.PULLUP", '"PULLUP"'),
        ("unit/app.py", "from time import ticks_us", "from time import ticks_us, perf_counter", '"perf_counter"'),
        ("unit/store.py", "os.statvfs(", "os.disk_usage(", '"disk_usage"'),
        ("unit/feedback.py", "self._pwm.duty_u16(0)", "self._pwm.duty(0, 1)", "duty"),
    ],
)
def test_what_the_board_does_not_have_is_noticed(complaints, tmp_path, file, right, wrong, words):
    shutil.copytree(FIRMWARE, tmp_path / "firmware", ignore=shutil.ignore_patterns("__pycache__"))
    source = (tmp_path / "firmware" / file).read_text(encoding="utf-8")
    assert right in source
    (tmp_path / "firmware" / file).write_text(source.replace(right, wrong), encoding="utf-8")
    told = complaints(tmp_path / "firmware")
    assert told
    assert all(line.startswith(file) for line in told)
    assert any(words in line for line in told), told
