"""A ROCKET.toml with other figures in it: its words and comments stay, its values, sigmas and correlations change."""

import json
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from apexfix.errors import FileError
from apexfix.predict.quantity import Quantity
from apexfix.predict.rocket_file import FIGURES, LARGEST_ROCKET_BYTES, Figure
from apexfix.text_file import read_text
from apexfix.toml_lines import Place, key_lines

_LEAST_CORRELATION: Final = 0.005


def restated(
    path: Path, quantities: Mapping[str, Quantity], correlations: Mapping[tuple[str, str], float], remark: str
) -> str:
    """Return the text of a ROCKET.toml with new figures.

    Parameters
    ----------
    quantities : mapping
        New figures in the package's own units, by their names in ``Rocket.quantities``.
    correlations : mapping
        Of the scores, by pairs of such names. They replace all that the file states.
    remark : str
        One line for the top of the file.

    Raises
    ------
    FileError
        The file cannot be read, or a table or a field does not stand on a line of its own.
    """
    lines = _without_correlations(read_text(path, LARGEST_ROCKET_BYTES).splitlines())
    for table, figures in FIGURES.items():
        for figure in figures:
            if figure.name in quantities:
                lines = _set(path, lines, (table, figure), quantities[figure.name])
    for (one, other), coefficient in correlations.items():
        if abs(coefficient) >= _LEAST_CORRELATION:
            pair = [f'between = "{_place(one)}"', f'and = "{_place(other)}"']
            lines += ["", "[[correlation]]", *pair, f"coefficient = {coefficient:.4f}"]
    return "\n".join([f"# {remark}", *lines]) + "\n"


def moved(path: Path, text: str, folder: Path) -> str:
    """Return the text of the ROCKET.toml at a path so that it finds its thrust file from another folder."""
    lines = text.splitlines()
    at = key_lines(text).get(("motor", "thrust_file"), 0) - 1
    if at < 0 or path.parent.resolve() == folder.resolve():
        return text
    name = tomllib.loads(text)["motor"]["thrust_file"]
    way = Path(os.path.relpath((path.parent / name).resolve(), folder.resolve())).as_posix()
    return "\n".join([*lines[:at], f"thrust_file = {json.dumps(way, ensure_ascii=False)}", *lines[at + 1 :]]) + "\n"


def _place(name: str) -> str:
    return next(f"{table}.{figure.field}" for table, figures in FIGURES.items() for figure in figures if figure.name == name)


def _without_correlations(lines: list[str]) -> list[str]:
    kept, inside = [], False
    for line in lines:
        if line.lstrip().startswith("["):
            inside = line.replace(" ", "").startswith("[[correlation]]")
        if not inside:
            kept.append(line)
    return kept


def _set(path: Path, lines: list[str], where: tuple[str, Figure], quantity: Quantity) -> list[str]:
    """Return the lines with a figure and its sigma in their places; a missing field comes right under its table's header."""
    table, figure = where
    value, sigma = quantity.value / figure.unit, quantity.sigma / figure.unit
    for field, number in ((f"sigma_{figure.field}", sigma), (figure.field, value)):
        found = key_lines("\n".join(lines))
        row = f"{field} = {number:.6g}" if abs(number) >= 1e-4 else f"{field} = {number:.9f}"
        if (table, field) in found:
            at = _line(path, lines, found, (table, field))
            _, hash_, comment = lines[at].partition("#")
            lines = [*lines[:at], f"{row}{'  # ' + comment.strip() if hash_ else ''}", *lines[at + 1 :]]
        else:
            at = _line(path, lines, found, (table,))
            lines = [*lines[: at + 1], row, *lines[at + 1 :]]
    return lines


def _line(path: Path, lines: list[str], found: Mapping[Place, int], place: Place) -> int:
    """Return the position of the line that holds a header or a field and nothing else."""
    at = found.get(place, 0) - 1
    expected = f"[{place[0]}]" if len(place) == 1 else str(place[-1])
    if at < 0 or not lines[at].lstrip().replace(" ", "").startswith(expected):
        raise FileError(f"no line of its own seen for {expected}, one expected, so that it can be rewritten", path=path)
    return at
