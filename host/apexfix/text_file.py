"""Text files: what a person or a spreadsheet wrote is bounded and UTF-8, with or without a byte order mark."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from apexfix.errors import FileError


def read_text(path: Path, largest_bytes: int) -> str:
    """Return the text of a file; line ends stay as they are.

    Raises
    ------
    FileError
        The file is missing or unreadable, larger than allowed, not UTF-8, or holds a zero byte.
    """
    content = read_bytes(path, largest_bytes)
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FileError("this is UTF-16, UTF-8 expected; save it again as UTF-8", path=path, line=1)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise FileError(
            f"byte 0x{content[error.start]:02X} seen, UTF-8 text expected; save the file again as UTF-8", path=path, line=line
        ) from error
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise FileError("a zero byte seen, text expected; the file is damaged or not a text file", path=path, line=line)
    return text


def read_bytes(path: Path, largest_bytes: int) -> bytes:
    """Return the content of a file; FileError where it is missing, unreadable or larger than allowed."""
    try:
        with path.open("rb") as file:
            content = file.read(largest_bytes + 1)
    except FileNotFoundError as error:
        raise FileError("there is no such file", path=path) from error
    except OSError as error:
        raise FileError(f"it cannot be read ({error.strerror}), a file that you may read is expected", path=path) from error
    if len(content) > largest_bytes:
        raise FileError(f"it is larger than {largest_bytes:,} bytes, a smaller file is expected", path=path)
    return content


def write_text(path: Path, text: str) -> None:
    """Write a file, and its folder where that is missing.

    Raises
    ------
    FileError
        The file or its folder cannot be written.
    """
    with _unwritable(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file that is no text, and its folder where that is missing; FileError where that cannot be."""
    with _unwritable(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def append_text(path: Path, text: str) -> None:
    """Add to the end of a file, which is made where it is missing, and return once the text is on the disk.

    Raises
    ------
    FileError
        The file cannot be written.
    """
    with _unwritable(path), path.open("ab") as file:
        file.write(text.encode())
        file.flush()
        os.fsync(file.fileno())


@contextmanager
def _unwritable(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FileError(f"it cannot be written ({error.strerror}), a folder that you may write is expected", path=path) from error
