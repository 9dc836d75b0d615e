"""The power fails during flash writes of the real firmware, on the board's own file system; bench/power_cut.py cuts every step."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
FIRMWARE = HERE.parents[1] / "firmware"
LIMIT_S = 300


def campaign(micropython, folder, firmware, every, places):
    done = subprocess.run(
        [micropython, "-X", "heapsize=32M", HERE / "board" / "power.py", str(every), str(places)],
        cwd=folder,
        env={"MICROPYPATH": f"{HERE / 'board'}:{firmware}:.frozen"},
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def test_whatever_was_saved_before_a_power_cut_is_there_after_it(micropython, tmp_path):
    outcome = campaign(micropython, tmp_path, FIRMWARE, every=4, places=2)
    assert outcome["failures"] == []
    assert outcome["steps"] > 200
    assert outcome["cuts"] > 200
    assert outcome["alike"] < outcome["cuts"]


@pytest.mark.parametrize(
    ("module", "sound", "careless", "complaint"),
    [
        ("store", "                self._file.flush()\n", "                pass\n", "the log does not go on"),
        ("store", "        number = self.number + 1\n", "        number = max(1, self.number)\n", "is lost"),
        ("store", "if any(kind == records.BOOT for kind, _ in events):", "if True:", "lost its name"),
        ("store", "_RESERVE = const(24576)", "_RESERVE = const(0)", "without any cut: 28"),
        ("presses", "        self._store.flush()\n", "        pass\n", "saved is said of what is not flushed"),
    ],
)
def test_careless_firmware_is_caught(micropython, tmp_path, module, sound, careless, complaint):
    """The campaign itself: no flush, a segment written over, a name forgotten, no reserve, saved said too early."""
    firmware = tmp_path / "firmware"
    shutil.copytree(FIRMWARE, firmware, ignore=shutil.ignore_patterns("__pycache__"))
    path = firmware / "unit" / f"{module}.py"
    source = path.read_text(encoding="utf-8")
    assert sound in source
    path.write_text(source.replace(sound, careless), encoding="utf-8")
    outcome = campaign(micropython, tmp_path, firmware, every=8, places=1)
    assert any(complaint in failure for failure in outcome["failures"]), outcome
