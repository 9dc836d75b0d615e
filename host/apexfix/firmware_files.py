"""Where the firmware that goes onto a board lies on this computer."""

from pathlib import Path

from apexfix.errors import FileError


def firmware_folder() -> Path:
    """Return the folder that holds main.py, pins.py and unit/.

    An installed wheel carries it inside the package; a checkout keeps it at the top.

    Raises
    ------
    FileError
        Neither place holds it: the installation is damaged.
    """
    here = Path(__file__).resolve().parent
    for folder in (here / "firmware", here.parents[1] / "firmware"):
        if (folder / "main.py").is_file():
            return folder
    raise FileError("the firmware is not in this installation; install apexfix again", path=here / "firmware")
