"""The real command line, with a simulated builder who does what it asks for."""

import signal
import subprocess
import sys
import threading
import time

import pytest

APEXFIX = [sys.executable, "-c", "from apexfix.cli import main; main()"]
LONGEST_S = 120.0


@pytest.fixture(scope="session")
def apexfix():
    """Run a command: its exit code, what it printed and what it said."""
    return run


def run(*words, builder=None, until=None):
    """Run a command; a builder does what it asks for. Ended by Ctrl-C where it says what is waited for."""
    said = []
    with subprocess.Popen([*APEXFIX, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        watchdog = threading.Timer(LONGEST_S, process.kill)
        watchdog.start()
        for line in process.stderr:
            said.append(line)
            if until and until in line:
                process.send_signal(signal.SIGINT)
            elif builder and "still for 4 s of 4 s" in line:
                time.sleep(0.05)  # the host presses now: let its request arrive before time flies on
                builder.pause(1.5)
            elif builder:
                builder.hear(line)
                builder.act()
        printed = process.stdout.read()
    watchdog.cancel()
    return process.returncode, printed, "".join(said)
