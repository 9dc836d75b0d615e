"""Render every drawing (SVG, PNG) and, where OpenSCAD is installed, every printed part (STL).

python hardware/render.py build/hardware      everything
python hardware/render.py --pages             only the pictures that the pages in docs/ show
"""

import logging
import sys
from pathlib import Path

import diagram
import resvg_py
import solids
from mount_sheets import body, overview, stand
from sizes import extents
from tables import HERE, parameters, rows
from wood_sheet import wood

SHEETS = {"sighting-unit": overview, "body": body, "stand": stand, "without-a-printer": wood}
PICTURES = HERE.parent / "docs" / "pictures"
PNG_WIDTH = 1600


def drawings(folder: Path = HERE) -> dict[str, str]:
    """Return name -> SVG of every drawing, from the tables and the mount's source in a folder."""
    sizes = parameters((folder / "mount" / "mount.scad").read_text(encoding="utf-8"))
    sheets = {name: draw(sizes) for name, draw in SHEETS.items()}
    return {"wiring": diagram.draw(rows(folder / "wiring.csv")), **sheets}


def main(target: str) -> None:
    folder = PICTURES if target == "--pages" else Path(target)
    folder.mkdir(parents=True, exist_ok=True)
    for name, svg in drawings().items():
        (folder / f"{name}.svg").write_text(svg, encoding="utf-8")
        if folder != PICTURES:
            (folder / f"{name}.png").write_bytes(bytes(resvg_py.svg_to_bytes(svg_string=svg, width=PNG_WIDTH)))
    if folder != PICTURES and solids.openscad() is None:
        logging.warning("OpenSCAD is not installed: drawings only. On Debian and Ubuntu: sudo apt install openscad")
    elif folder != PICTURES:
        for part in extents(parameters(solids.SOURCE.read_text(encoding="utf-8"))):
            logging.info("%s", solids.render(part, folder))
    logging.info("%s", folder)


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    main(sys.argv[1] if len(sys.argv) > 1 else "build/hardware")
