"""A whole day as one file: a zip archive of the day's files with a manifest of their SHA-256 (FIPS 180-4).

What comes in may be from anyone. Nothing of it is believed before it is checked, nothing is written outside a new folder, nothing
is written over, and the sizes are bounded before a byte is unpacked.
"""

import contextlib
import hashlib
import json
import os
import re
import shutil
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.errors import FileError
from apexfix.fields import Unfit, shown, whole

MANIFEST_NAME: Final = "manifest.json"
LARGEST_DAY_BYTES: Final = 512 << 20  # unpacked; a long day of four units is some ten megabytes
MOST_FILES: Final = 1000
_LARGEST_MANIFEST_BYTES: Final = 1 << 20
_LARGEST_DIRECTORY_BYTES: Final = 1 << 20  # of the zip: the library reads all of it before it can be asked anything
_LEFT_OUT: Final = ("report", "units")  # can be made again; the flash of virtual units
_PART: Final = re.compile(r"[\w][\w .,()+-]{0,99}")  # of a path: begins with a letter or digit, holds no separator or control
_DEVICES: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)  # names that Windows keeps for itself
_DEEPEST: Final = 4
_UNFINISHED: Final = ".unfinished-import"  # behind the name of the day's folder
_BEGIN: Final = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip can hold: equal days give equal files
_END_OF_DIRECTORY: Final = b"PK\x05\x06"
_LONG_DIRECTORY: Final = b"PK\x06\x07"  # what zips beyond four gigabytes have in front of it
_TAIL_BYTES: Final = 22 + 0xFFFF

_OF_A_DAMAGED_ZIP: Final = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, EOFError, NotImplementedError, UnicodeError,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Packed:
    """One file of a bundle."""

    name: str  # path in the day's folder, parts separated by /
    size: int
    sha256: str


def export_day(day: Path, bundle: Path) -> tuple[Packed, ...]:
    """Write the files of a day's folder into a new file, and return what it holds.

    The archive is copied as a whole, also while a pull adds to it. The report, hidden files and links are left out.

    Raises
    ------
    FileError
        The folder has no files, one that cannot be packed or too many of them, or the bundle exists or cannot be written.
    """
    with tempfile.TemporaryDirectory() as scratch, _file_errors(bundle):
        sources = _sources(day, Path(scratch))
        packed = tuple(_described(name, source) for name, source in sources.items())
        _check_sizes(packed, day)
        with _new_file(bundle) as file, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=False) as zipped:
            zipped.writestr(_entry(MANIFEST_NAME), _manifest(packed))
            for name, source in sources.items():
                with source.open("rb") as content, zipped.open(_entry(name), "w") as into:
                    shutil.copyfileobj(content, into)
    return packed


def import_day(bundle: Path, day: Path) -> tuple[Packed, ...]:
    """Unpack a bundle into a new folder, and return what it held. All files arrive, with the bytes that left, or none.

    They are gathered in a hidden folder beside it. What an import that was killed left in that one is removed by the next.

    Raises
    ------
    FileError
        The folder exists or cannot be written, or the bundle is none, is damaged, too large or names files that it must not.
    """
    with _file_errors(bundle):
        if day.exists() or day.is_symlink():
            raise FileError("exists already, a new folder expected; nothing is written over", path=day)
        day.parent.mkdir(parents=True, exist_ok=True)
        _check_directory(bundle)
        with _unfinished(day) as fresh, zipfile.ZipFile(bundle) as zipped:
            packed = _announced(zipped, bundle)
            for each in packed:
                _unpack(zipped, each, fresh / each.name, bundle)
            if (fresh / ARCHIVE_NAME).exists():
                with open_archive(fresh / ARCHIVE_NAME):  # a file of that name that is no archive is refused here
                    pass
            os.rename(fresh, day)
    return packed


@contextlib.contextmanager
def _unfinished(day: Path) -> Iterator[Path]:
    """Return an empty folder in which a day is gathered; nothing is left of it unless it was renamed to the day's."""
    fresh = day.with_name(f".{day.name}{_UNFINISHED}")
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir()
    try:
        yield fresh
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


# --- out ------------------------------------------------------------------------------------------------------------


def files_of(day: Path) -> dict[str, Path]:
    """Return the files of a day's folder, by their names in it. The report, hidden files and links are left out.

    Raises
    ------
    FileError
        There are none, or one has a name that is not safe on every system.
    """
    found: dict[str, Path] = {}
    for path in sorted(day.rglob("*")):
        parts = path.relative_to(day).parts
        if not (path.is_symlink() or not path.is_file() or parts[0] in _LEFT_OUT or _is_hidden(parts)):
            found[_allowed("/".join(parts), day)] = path
    if not found:
        raise FileError("no files seen, the folder of a day expected", path=day)
    return found


def _sources(day: Path, scratch: Path) -> dict[str, Path]:
    """Return where the bytes of each file are, the archive's in a copy."""
    found = files_of(day)
    if ARCHIVE_NAME in found:
        with open_archive(day / ARCHIVE_NAME) as archive:
            archive.copy_to(scratch / ARCHIVE_NAME)
        found[ARCHIVE_NAME] = scratch / ARCHIVE_NAME
    return found


def _is_hidden(parts: tuple[str, ...]) -> bool:
    return any(part.startswith(".") for part in parts) or parts[-1].startswith(f"{ARCHIVE_NAME}-")  # its journal


def _described(name: str, source: Path) -> Packed:
    with source.open("rb") as content:
        return Packed(name, source.stat().st_size, hashlib.file_digest(content, "sha256").hexdigest())


def _manifest(packed: tuple[Packed, ...]) -> bytes:
    files = [{"name": each.name, "bytes": each.size, "sha256": each.sha256} for each in packed]
    return json.dumps({"format": 1, "files": files}, indent=1).encode()


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _BEGIN)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    return entry


@contextlib.contextmanager
def _new_file(path: Path) -> Iterator[IO[bytes]]:
    """Open a file that must not exist; where the writing fails nothing is left of it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        file = path.open("xb")
    except FileExistsError as error:
        raise FileError("exists already, a new file expected; nothing is written over", path=path) from error
    try:
        with file:
            yield file
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        path.unlink()
        raise


# --- in -------------------------------------------------------------------------------------------------------------


def _check_directory(bundle: Path) -> None:
    """Refuse a zip whose table of contents is huge, before the library reads it."""
    with bundle.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - _TAIL_BYTES))
        tail = file.read(_TAIL_BYTES)
    at = tail.rfind(_END_OF_DIRECTORY)
    if at < 0 or len(tail) - at < 22:
        raise FileError("this is no zip file, or its end is missing; export the day again", path=bundle)
    length = int.from_bytes(tail[at + 12 : at + 16], "little")
    if length > _LARGEST_DIRECTORY_BYTES or tail[max(0, at - 20) :].startswith(_LONG_DIRECTORY):
        raise FileError(f"its table of contents takes {length} bytes, at most {_LARGEST_DIRECTORY_BYTES} expected", path=bundle)


def _announced(zipped: zipfile.ZipFile, bundle: Path) -> tuple[Packed, ...]:
    """Return the files that the manifest names; the zip must hold these and no others, each once."""
    inside = [entry.filename for entry in zipped.infolist()]
    if MANIFEST_NAME not in inside:
        raise FileError(f"it holds no {MANIFEST_NAME}; 'apexfix export' makes such files", path=bundle)
    packed = _read_manifest(_bounded(zipped, MANIFEST_NAME, _LARGEST_MANIFEST_BYTES, bundle), bundle)
    _check_sizes(packed, bundle)
    expected = sorted([MANIFEST_NAME, *(each.name for each in packed)])
    if sorted(inside) != expected or len({name.casefold() for name in inside}) != len(inside):
        raise FileError("the files inside are not those of its manifest, each once; export the day again", path=bundle)
    return packed


def _read_manifest(content: bytes, bundle: Path) -> tuple[Packed, ...]:
    try:
        value: Any = json.loads(content)
        if not isinstance(value, Mapping) or value.get("format") != 1:
            raise Unfit("a later release wrote it, or it is no manifest")
        return tuple(_packed(each, bundle) for each in value["files"])
    except (ValueError, KeyError, TypeError, RecursionError, Unfit) as error:
        raise FileError(f"its {MANIFEST_NAME} cannot be read ({error}); export the day again", path=bundle) from error


def _packed(value: Mapping[str, object], bundle: Path) -> Packed:
    size = whole(0, LARGEST_DAY_BYTES)(value["bytes"])
    return Packed(_allowed(str(value["name"]), bundle), int(str(size)), str(value["sha256"]))


def _unpack(zipped: zipfile.ZipFile, each: Packed, path: Path, bundle: Path) -> None:
    content = _bounded(zipped, each.name, each.size, bundle)
    if len(content) != each.size or hashlib.sha256(content).hexdigest() != each.sha256:
        raise FileError(f"{each.name} inside is damaged: its checksum differs; copy or export it again", path=bundle)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _bounded(zipped: zipfile.ZipFile, name: str, most: int, bundle: Path) -> bytes:
    """Return the bytes of a file inside; one that unpacks to more than allowed is left after that many."""
    entry = zipped.getinfo(name)
    if entry.flag_bits & 1 or entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise FileError(f"{shown(name)} inside is encrypted or packed as no bundle is; export the day again", path=bundle)
    with zipped.open(entry) as file:
        content = file.read(most + 1)
    if len(content) > most:
        raise FileError(f"{shown(name)} inside is larger than the {most} bytes that were announced", path=bundle)
    return content


# --- both -----------------------------------------------------------------------------------------------------------


def _allowed(name: str, path: Path) -> str:
    """Return a name that is safe on every system; FileError where it is not."""
    parts = name.split("/")
    fits = all(_PART.fullmatch(part) and part[-1] not in " ." and not _DEVICES.fullmatch(part) for part in parts)
    if not fits or len(parts) > _DEEPEST or name == MANIFEST_NAME:
        raise FileError(f"{shown(name)} seen, a plain name of a file in the day's folder expected; rename it", path=path)
    return name


def _check_sizes(packed: tuple[Packed, ...], path: Path) -> None:
    total = sum(each.size for each in packed)
    if len(packed) > MOST_FILES or total > LARGEST_DAY_BYTES:
        seen = f"{len(packed)} files of {total} bytes seen"
        raise FileError(f"{seen}, at most {MOST_FILES} of {LARGEST_DAY_BYTES} bytes together expected", path=path)


@contextlib.contextmanager
def _file_errors(path: Path) -> Iterator[None]:
    """Turn what the zip library and the system raise over a bad file into ours."""
    try:
        yield
    except OSError as error:
        raise FileError(f"it cannot be read or written ({error.strerror or error})", path=error.filename or path) from error
    except _OF_A_DAMAGED_ZIP as error:
        raise FileError(f"it is damaged ({error}); copy or export it again", path=path) from error
