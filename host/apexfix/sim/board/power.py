"""What a board does when it gets power, or after a soft reset: run main.py, unless the prompt was asked for (MicroPython).

The interpreter itself gives the prompt afterwards, with its real raw mode, as the board does.
"""

import os
import sys as _interpreter


class _BoardSystem:
    """The module sys of the board: that of the interpreter, on another platform."""

    platform = "rp2"

    def __getattr__(self, name):
        return getattr(_interpreter, name)


_interpreter.modules["sys"] = _BoardSystem()


def _present(name):
    try:
        os.stat(name)
        return True
    except OSError:
        return False


if os.getenv("APEXFIX_RUN_MAIN") and _present("main.py"):
    with open("main.py") as _file:
        exec(_file.read(), {"__name__": "__main__"})
