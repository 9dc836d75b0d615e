"""The campaigns of bench/, reduced: each ends with an error where anything was lost, wrongly accepted or damaged."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest


def bench(root: Path, name: str, *words: object) -> str:
    scratch = {"TMPDIR": "/dev/shm"} if os.access("/dev/shm", os.W_OK) else {}  # what is killed is a process, not a disk
    command = [sys.executable, str(root / "bench" / name), *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, env=os.environ | scratch)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="processes are copied and killed, which that system cannot do")
def test_a_host_killed_at_any_instant_loses_nothing_that_was_confirmed(root):
    told = bench(root, "host_killed.py", "--points", 16)
    counts = re.compile(r"^(\d+) (?:pulls|reductions|merges|imports) killed within .* s, (\d+) before", re.MULTILINE)
    (pulls, early), (reductions, _), (merges, _), (imports, _) = counts.findall(told)
    assert pulls == reductions == "16"
    assert merges == imports == "4"
    assert int(early) > 3


def test_no_disturbed_transfer_brings_a_wrong_record_or_loses_one(root):
    told = bench(root, "transfer_faults.py", "--transfers", 2200, "--pulls", 22)
    transfers, faults, whole, _, error, wrong, lost, unchecked = map(int, re.search(r"^all (.*)$", told, re.MULTILINE)[1].split())
    assert (transfers, wrong, lost) == (2200, 0, 0)
    assert faults > transfers
    assert min(whole, error, unchecked) > 100  # the faults bite


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo terminals on that system")
@pytest.mark.usefixtures("micropython")
def test_what_goes_over_the_line_beside_the_log_is_at_most_15_percent_of_it(root):
    told = bench(root, "throughput.py", "--flights", 5, "--alone")
    log_bytes, line_bytes = (int(n) for n in re.search(r"a log of (\d+) bytes\non the line (\d+) bytes", told).groups())
    assert log_bytes > 5 * 400 * 16  # the samples of five tracks of four seconds at 100 Hz
    assert log_bytes < line_bytes < 1.15 * log_bytes
