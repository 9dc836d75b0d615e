"""What may stand in one field of a file a person writes: a check returns the value in use, or says what was seen and expected."""

import difflib
import math
import re
from collections.abc import Callable, Iterable
from typing import Final

Check = Callable[[object], object]

_MOST_BITS: Final = 64
_LONGEST_SHOWN: Final = 60  # characters of a wrong value that a message repeats
_FORMULA: Final = re.compile(r"'*[=+\-@]")  # what a spreadsheet would run, behind any number of quotes


class Unfit(Exception):
    """A value does not fit its field. Whoever knows the file, line and name of the field makes a FileError of it."""


def number(low: float, high: float, *, above: bool = False) -> Check:
    """Return a check for a finite number from low to high, low itself excluded if `above`."""
    expected = f"a number {'above' if above else 'from'} {low:g} {'and up to' if above else 'to'} {high:g}"

    def check(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < math.inf:
            raise Unfit(f"{shown(value)} seen, {expected} expected")
        if not (low < value <= high if above else low <= value <= high):
            raise Unfit(f"{shown(value)} seen, {expected} expected")
        return float(value)

    return check


def whole(low: int, high: int) -> Check:
    """Return a check for a whole number from low to high."""

    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise Unfit(f"{shown(value)} seen, a whole number from {low} to {high} expected")
        return value

    return check


def text(longest: int) -> Check:
    """Return a check for printable text of one line without spaces around it."""

    def check(value: object) -> str:
        if not isinstance(value, str) or not value or len(value) > longest or not value.isprintable() or value != value.strip():
            raise Unfit(f"{shown(value)} seen, text of 1 to {longest} printable characters without spaces around it expected")
        return value

    return check


def matching(pattern: str, expected: str) -> Check:
    """Return a check for text that a regular expression describes from end to end."""

    def check(value: object) -> str:
        if not isinstance(value, str) or not re.fullmatch(pattern, value, re.ASCII):
            raise Unfit(f"{shown(value)} seen, {expected} expected")
        return value

    return check


def anything(value: object) -> object:
    """Check nothing: the value is looked at elsewhere."""
    return value


def guarded(value: str) -> str:
    """Return a text that a spreadsheet takes for text: one that begins like a formula gets a quote before it.

    Examples
    --------
    >>> guarded("=1+1"), guarded("'=1+1"), guarded("'tis windy"), guarded("A")
    ("'=1+1", "''=1+1", "'tis windy", 'A')
    """
    return f"'{value}" if _FORMULA.match(value) else value


def unguarded(value: str) -> str:
    """Return the text that `guarded` was given.

    Examples
    --------
    >>> unguarded("'=1+1"), unguarded("''=1+1"), unguarded("'tis windy")
    ('=1+1', "'=1+1", "'tis windy")
    """
    return value[1:] if value.startswith("'") and _FORMULA.match(value) else value


def shown(value: object) -> str:
    """Return a value as a message may show it: on one line, no longer than a person wants to read.

    Examples
    --------
    >>> shown("60 m"), shown(True), shown([1, 2]), shown({})
    ("'60 m' (text)", 'true', 'a list', 'a table')
    """
    match value:
        case bool():
            return str(value).lower()
        case str():
            return f"{value[:_LONGEST_SHOWN]!r}{'…' if len(value) > _LONGEST_SHOWN else ''} (text)"
        case list():
            return "a list"
        case dict():
            return "a table"
        case int():
            return f"{value}" if abs(value) < 10**18 else "a whole number of more than 18 digits"
        case float():
            return f"{value:.12g}"
    return f"{value} ({type(value).__name__})"


def label(name: str) -> str:
    """Return the name of a field as a message may show it, whatever somebody used for a name.

    Examples
    --------
    >>> label("east_m"), label("\\x1b[31m")
    ('east_m', "'\\\\x1b[31m'")
    """
    short = name[:_LONGEST_SHOWN]
    return short if short.isprintable() else repr(short)


def suggestion(name: str, known: Iterable[str]) -> str:
    """Return a sentence about the known name nearest to a wrong one, or about all of them where none is near.

    Examples
    --------
    >>> suggestion("est_m", ["east_m", "north_m"])
    "did you mean 'east_m'?"
    >>> suggestion("colour", ["id", "unit"])
    'known here: id, unit'
    """
    names = list(known)
    near = difflib.get_close_matches(name[:_LONGEST_SHOWN], names, n=1)
    return f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(names)}"


def safe_text(text: str) -> str:
    """Return text that cannot move a terminal's cursor; line feeds and tabs stay."""
    return "".join(c if c.isprintable() or c in "\n\t" else "\ufffd" for c in text)


def cleaned(value: object) -> object:
    r"""Return JSON that came from anyone with all its texts, names too, made safe.

    Raises
    ------
    ValueError
        A whole number has more than 64 bits: no field has, and arithmetic with it would fail anywhere.

    Examples
    --------
    >>> cleaned({"id": ["\x1b[2J", 7]})
    {'id': ['\ufffd[2J', 7]}
    """
    match value:
        case str():
            return safe_text(value)
        case int() if value.bit_length() > _MOST_BITS:
            raise ValueError(f"a whole number of {value.bit_length()} bits seen, at most {_MOST_BITS} expected")
        case list():
            return [cleaned(item) for item in value]
        case dict():
            return {safe_text(key): cleaned(item) for key, item in value.items()}
    return value
