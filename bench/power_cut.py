"""Power cuts inside every step of the unit's flash: records called saved that are lost, of the records called saved.

The real firmware runs on the board's own file system over a model of the flash chip. Every erase and every page program of
three days (a first boot; presses, a flight number, settings, a calibration put on the unit, a full segment, forgetting; a flash
that is full but for its reserve, where the observer must be told so, and where forgetting makes room) is cut at several places.
What is left is booted, compared with what the observer was told, used, and cut once more while it boots. A place where a cut leaves
the flash as the place before it did is counted, and not tried again.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import click

ROOT = Path(__file__).resolve().parents[1]


@click.command()
@click.option("--places", type=click.IntRange(1, 256), default=16, help="Cuts inside each step: an erase, or 256 bytes and more.")
def main(places: int) -> None:
    """Run the campaign and print how many cuts were survived."""
    board = ROOT / "tests" / "firmware" / "board"
    interpreter = Path(sys.executable).with_name("micropython")
    command = [interpreter, "-X", "heapsize=256M", board / "power.py", "1", str(places)]
    with tempfile.TemporaryDirectory() as folder:
        path = f"{board}:{ROOT / 'firmware'}:.frozen"
        done = subprocess.run(command, cwd=folder, env={"MICROPYPATH": path}, stdout=subprocess.PIPE, text=True, check=True)
    outcome = json.loads(done.stdout)
    print(f"steps of the flash        {outcome['steps']}")
    print(f"power cuts                {outcome['cuts']}")
    print(f"places alike, not tried   {outcome['alike']}")
    print(f"cuts with a broken promise {len(outcome['failures'])}")
    for failure in outcome["failures"]:
        print(f"  {failure}")
    sys.exit(bool(outcome["failures"]))


if __name__ == "__main__":
    main()
