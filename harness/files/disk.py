"""Writing so that what was said to be kept is on the disk, and a folder is there whole or not at all."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from harness.errors import StoreError
from harness.files.names import new_id

PARTIAL = ".partial-"
"""A folder whose name begins so is being written, or was left by a run that was killed."""

SYNCED_AT_A_TIME = 8

_HINTS = {
    errno.ENOSPC: "Free some space on that disk, or choose another folder with --log.",
    errno.EDQUOT: "Free some space of your quota, or choose another folder with --log.",
    errno.EACCES: "Make the folder writable for you, or choose another with --log.",
    errno.EPERM: "Make the folder writable for you, or choose another with --log.",
    errno.EROFS: "That disk is read-only; choose another folder with --log.",
    errno.ENOTDIR: "A file stands where a folder is needed; move it away, or choose another folder with --log.",
    errno.EEXIST: "A file stands where a folder is needed; move it away, or choose another folder with --log.",
    errno.ENAMETOOLONG: "Choose a log folder with a shorter path with --log.",
}


class Disk:
    """The few operations that change the disk. Each returns when the data is on it; each raises OSError."""

    _waiting: dict[Path, None] | None = None

    @contextmanager
    def together(self) -> Iterator[None]:
        """Inside, nothing waits for the disk; at the end everything is put on it, all at the same time.

        Several files wait no longer than one: the disk serves them in one turn. Nothing is sure before the end, in whatever
        order it was written.
        """
        self._waiting = {}
        try:
            yield
            _sync_all(list(self._waiting))
        finally:
            self._waiting = None

    def write(self, path: Path, data: bytes) -> None:
        """Write a new file."""
        self._put(path, data, "xb")

    def append(self, path: Path, data: bytes) -> None:
        """Add to the end of a file that exists."""
        self._put(path, data, "ab")

    def move(self, source: Path, target: Path) -> None:
        """Give a file or folder its final name, in the same folder or on the same disk."""
        source.rename(target)
        if self._waiting is not None and source in self._waiting:
            del self._waiting[source]
            self._waiting[target] = None
        self.sync(target.parent)

    def sync(self, folder: Path) -> None:
        """Put a folder's list of names on the disk."""
        if self._waiting is None:
            sync_folder(folder)
        else:
            self._waiting[folder] = None

    def _put(self, path: Path, data: bytes, how: Literal["xb", "ab"]) -> None:
        with path.open(how) as file:
            file.write(data)
            file.flush()
            if self._waiting is None:
                os.fsync(file.fileno())
            else:
                self._waiting[path] = None


def _sync_all(paths: list[Path]) -> None:
    """Put files and folders on the disk at the same time. OSError of the first that cannot be."""
    from concurrent.futures import ThreadPoolExecutor

    if paths:
        with ThreadPoolExecutor(min(len(paths), SYNCED_AT_A_TIME)) as pool:
            list(pool.map(lambda path: sync_folder(path) if path.is_dir() else _sync_file(path), paths))


def _sync_file(path: Path) -> None:
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Put a folder's list of names on the disk, where the system can (Windows does it by itself)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def store_error(error: OSError, doing: str) -> StoreError:
    """Return the StoreError of an OSError: what was tried, what came, what to do. ``doing`` begins "cannot write …"."""
    what = error.strerror or str(error) or type(error).__name__
    hint = _HINTS.get(error.errno or 0, "Check that the disk is there and whole, or choose another folder with --log.")
    name = str(error.filename) if error.filename is not None else None
    return StoreError(f"{doing}: {what[:1].lower()}{what[1:]}", hint=hint, file=name)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, durably. OSError where it cannot be."""
    missing = [folder, *folder.parents]
    missing = missing[: next((n for n, path in enumerate(missing) if path.is_dir()), len(missing))]
    folder.mkdir(parents=True, exist_ok=True)
    for path in missing:
        sync_folder(path.parent)


def sha256_of(data: bytes) -> str:
    """Return the SHA-256 of ``data`` in hexadecimal (FIPS 180-4)."""
    return hashlib.sha256(data).hexdigest()


def write_folder(target: Path, files: Mapping[str, bytes], disk: Disk) -> None:
    """Write ``files`` (relative name with "/" → content) as the folder ``target``, which appears whole or not at all.

    StoreError where it is there already or cannot be written; nothing half-written stays.
    """
    partial = target.parent / f"{PARTIAL}{new_id()}"
    try:
        make_folder(target.parent)
        if target.exists():
            raise StoreError(f"{target} is there already, and nothing is written over", hint="Move it away first.")
        _fill(partial, files, disk)
        disk.move(partial, target)
    except OSError as error:
        raise store_error(error, f"cannot write the folder {target}") from None
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _fill(folder: Path, files: Mapping[str, bytes], disk: Disk) -> None:
    folder.mkdir()
    inner = {folder / Path(name).parent for name in files} - {folder}
    for path in sorted(inner):
        path.mkdir(parents=True, exist_ok=True)
    with disk.together():
        for name, data in files.items():
            disk.write(folder / name, data)
        for path in [*inner, folder]:
            disk.sync(path)
