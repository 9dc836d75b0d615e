"""On which line of a TOML document each key stands, so that a message can point at it.

The standard parser keeps no positions, and neither does the style-preserving one in its public interface. Once the standard parser
has accepted a document, finding its keys takes only what is here: skip strings and comments, watch the brackets, and let the same
parser read each key and header.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any, Final

Place = tuple[str | int, ...]  # the way to a value: names of tables and keys, and positions in arrays of tables

_TOKEN: Final = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?!")'  # the quotes of a multi-line string may be preceded by one or two that belong to it
    r"|'''.*?'''(?!')"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|[\[\]{}=\n]"
    r"|[^\"'\#\[\]{}=\n]+",
    re.DOTALL,
)


def key_lines(text: str) -> dict[Place, int]:
    """Return the line, counted from 1, of every table header and every key of a document that ``tomllib`` accepts.

    Keys inside an inline table or an array stand for nothing here: ask for the nearest place that is known, see `line_of`.

    Examples
    --------
    >>> key_lines('a = 1\\n[[b]]\\nc = 2')
    {('a',): 1, ('b',): 2, ('b', 0): 2, ('b', 0, 'c'): 3}
    """
    lines: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    table: Place = ()
    for line, statement in _statements(text):
        if statement.startswith("[["):
            name = _resolved(_names(statement[2 : statement.rindex("]]")]), counts)
            counts[name] = counts.get(name, 0) + 1
            table = (*name, counts[name] - 1)
            lines.setdefault(name, line)
        elif statement.startswith("["):
            table = _resolved(_names(statement[1 : statement.rindex("]")]), counts)
        else:
            lines[(*table, *_names(statement))] = line
            continue
        lines.setdefault(table, line)
    return lines


def line_of(lines: Mapping[Place, int], place: Place) -> int | None:
    """Return the line of a place or else of the table that should hold it; None where the document has neither."""
    for length in range(len(place), 0, -1):
        if place[:length] in lines:
            return lines[place[:length]]
    return None


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Yield the first line and the text of each header (with its brackets) and of each key (without its value)."""
    line, depth, start, parts, in_value = 1, 0, 1, list[str](), False
    for token in (found.group() for found in _TOKEN.finditer(text.replace("\r\n", "\n") + "\n")):
        ends = token == "\n" and depth == 0
        if ends or (token == "=" and not in_value):
            if "".join(parts).strip() and not in_value:
                yield start, "".join(parts).strip()
            parts, in_value = [], not ends
        elif not in_value and not token.startswith("#"):
            start = start if "".join(parts).strip() else line
            parts.append(token)
        if in_value and token in "[]{}":
            depth += 1 if token in "[{" else -1
        line += token.count("\n")


def _names(key: str) -> tuple[str, ...]:
    """Return the parts of a key or of the inside of a header: bare, quoted or dotted."""
    names: list[str] = []
    inner: Any = tomllib.loads(f"{key} = 0")
    while isinstance(inner, dict):
        ((name, inner),) = inner.items()
        names.append(name)
    return tuple(names)


def _resolved(names: tuple[str, ...], counts: Mapping[Place, int]) -> Place:
    """Return the place of a header: a name of an array of tables on the way means its last element so far."""
    place: Place = ()
    for name in names[:-1]:
        place = (*place, name)
        if place in counts:
            place = (*place, counts[place] - 1)
    return (*place, names[-1])
