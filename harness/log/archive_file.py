"""Opening an archive that somebody sent: nothing is read from it before its size, its names and its promises are checked.

Refused are: archives and members over the bounds; more members, or deeper folders, than a log has; names that are absolute, lead
upwards, hold a drive, a device or characters that no file of a log has; links and other special files; two names that one
folder could not hold on a system that ignores case; compression beyond what such files give (a bomb); encryption.
"""

from __future__ import annotations

import re
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from harness.errors import FileError
from harness.files.names import is_device

_PART = re.compile(r"[A-Za-z0-9%][A-Za-z0-9 ._+()%-]{0,199}", re.ASCII)
_END = b"PK\x05\x06"
_END_64 = b"PK\x06\x06"
_HINT = "Nothing was read into the log. Ask for the archive again, made with 'tapproof log export'."


@dataclass(frozen=True)
class Bounds:
    """The most of each: bytes of the archive, of its list of names, of one member, of all members; members; folders' depth."""

    archive: int = 8_000_000_000
    directory: int = 128_000_000
    member: int = 256_000_000
    total: int = 32_000_000_000
    members: int = 1_000_000
    depth: int = 5
    ratio: int = 200
    """Bytes out for one byte in, beyond the first megabyte: texts of numbers give 2 to 4, a transcript perhaps 20."""


class Archive:
    """An open, checked archive. ``names``: all its files."""

    def __init__(self, source: str, opened: zipfile.ZipFile, infos: dict[str, zipfile.ZipInfo]) -> None:
        self._source, self._opened, self._infos = source, opened, infos

    @property
    def names(self) -> set[str]:
        """The names of all files, with "/"."""
        return set(self._infos)

    def read(self, name: str, most: int) -> bytes:
        """Return a file's bytes; FileError where it is not there, is longer than ``most`` bytes, or is damaged."""
        info = self._infos.get(name)
        if info is None:
            raise refuse(self._source, f"it has no {name}")
        if info.file_size > most:
            raise refuse(self._source, f"{name} has {info.file_size} bytes; at most {most} are read")
        try:
            with self._opened.open(info) as stream:
                data = stream.read(info.file_size + 1)
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, ValueError) as error:
            raise refuse(self._source, f"{name} is damaged: {error}") from None
        if len(data) != info.file_size:
            raise refuse(self._source, f"{name} has another length than it says")
        return data


def refuse(source: str, why: str) -> FileError:
    """Return the error for an archive that is not read, with the reason."""
    return FileError(f"{source} is not read: {why}", hint=_HINT, file=source)


@contextmanager
def open_archive(path: Path, bounds: Bounds | None = None) -> Iterator[Archive]:
    """Open an archive for reading; FileError tells why it is refused."""
    source, allowed = str(path), bounds or Bounds()
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise refuse(source, "it is no regular file")
        file = path.open("rb")
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise FileError(f"{source} cannot be read: {said}", hint="Check the path.", file=source) from None
    with file:
        _check_directory(file, source, allowed)
        try:
            opened = zipfile.ZipFile(file)
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, UnicodeError) as error:
            raise refuse(source, f"it is no whole ZIP file ({error})") from None
        with opened:
            yield Archive(source, opened, _checked(opened.infolist(), source, allowed))


def _check_directory(file: BinaryIO, source: str, bounds: Bounds) -> None:
    """Refuse by size before the list of names is read into memory (APPNOTE 4.3.14 and 4.3.16: sizes in the end records)."""
    size = file.seek(0, 2)
    if size > bounds.archive:
        raise refuse(source, f"it has {size} bytes; at most {bounds.archive} are read")
    file.seek(max(0, size - 65_536 - 22 - 20 - 56))
    tail = file.read()
    at = tail.rfind(_END)
    if at < 0 or len(tail) < at + 22:
        raise refuse(source, "it is no ZIP file")
    length = int.from_bytes(tail[at + 12 : at + 16], "little")
    wide = tail.rfind(_END_64, 0, at)
    if length == 0xFFFFFFFF and wide >= 0:
        length = int.from_bytes(tail[wide + 40 : wide + 48], "little")
    if length > bounds.directory:
        raise refuse(source, f"its list of names has {length} bytes; at most {bounds.directory} are read")
    file.seek(0)


def _checked(infos: list[zipfile.ZipInfo], source: str, bounds: Bounds) -> dict[str, zipfile.ZipInfo]:
    if len(infos) > bounds.members:
        raise refuse(source, f"it holds {len(infos)} files; at most {bounds.members} are read")
    found: dict[str, zipfile.ZipInfo] = {}
    folded: dict[str, str] = {}
    total = packed = 0
    for info in infos:
        name = info.filename
        wrong = _wrong_name(name, bounds) or _wrong_kind(info, bounds)
        if wrong is not None:
            raise refuse(source, f"{name[:120]!r} {wrong}")
        if name in found:
            raise refuse(source, f"it holds {name!r} twice")
        _no_clash(name, folded, source)
        found[name] = info
        total, packed = total + info.file_size, packed + info.compress_size
        if info.file_size > 1_000_000 + bounds.ratio * info.compress_size:
            raise refuse(source, f"{name} would grow from {info.compress_size} to {info.file_size} bytes")
    if total > bounds.total or total > 1_000_000 + bounds.ratio * packed:
        raise refuse(source, f"its files would have {total} bytes")
    return found


def _wrong_name(name: str, bounds: Bounds) -> str | None:
    parts = name.split("/")
    if len(parts) > bounds.depth:
        return f"lies {len(parts)} folders deep; at most {bounds.depth} are read"
    if any(_PART.fullmatch(part) is None or part.endswith((" ", ".")) for part in parts):
        return "is no name of a file in a log"
    if any(is_device(part) for part in parts):
        return "is the name of a device on some systems"
    return None


def _wrong_kind(info: zipfile.ZipInfo, bounds: Bounds) -> str | None:
    mode = info.external_attr >> 16
    if info.orig_filename != info.filename:
        return "has another name behind the one it shows"
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        return "is a link or another special file"
    if info.flag_bits & 0x1:
        return "is encrypted"
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return f"is compressed by method {info.compress_type}; stored and deflated files are read"
    return f"has {info.file_size} bytes; at most {bounds.member} are read" if info.file_size > bounds.member else None


def _no_clash(name: str, folded: dict[str, str], source: str) -> None:
    """Refuse a name whose parts differ from one before by case alone, or that is a file there and a folder here."""
    parts = name.split("/")
    for count in range(1, len(parts) + 1):
        shown = "/".join(parts[:count]) + ("" if count == len(parts) else "/")
        seen = folded.setdefault(shown.rstrip("/").lower(), shown)
        if seen != shown:
            raise refuse(source, f"{name!r} and {seen!r} are one name on some systems")
