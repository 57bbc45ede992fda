"""A lock that a process holds on a file and that ends with the process, however it ends."""

from __future__ import annotations

import errno
import os
import sys
from contextlib import suppress
from pathlib import Path


class FileLock:
    """A lock on ``path``, taken when made. BlockingIOError: somebody else has it; OSError: the file cannot be made."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._descriptor: int | None = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _take(self._descriptor)
            if not _is_at(path, self._descriptor):  # its last owner took it away since it was opened: the next file is another
                raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))
        except OSError:
            os.close(self._descriptor)
            raise

    def release(self, *, remove: bool = False) -> None:
        """Give the lock back; ``remove`` takes the file away as well. Twice is no error."""
        if self._descriptor is None:
            return
        descriptor, self._descriptor = self._descriptor, None
        if remove:
            with suppress(OSError):  # while it is held, so that nobody can have taken it; Windows leaves the empty file
                self._path.unlink()
        os.close(descriptor)


def _is_at(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False


if sys.platform == "win32":
    import msvcrt

    def _take(descriptor: int) -> None:
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except PermissionError as error:
            raise BlockingIOError(error.errno, error.strerror) from None

else:
    import fcntl

    def _take(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
