"""Markers for what is filed before it is in the log: ``pending/<name>``, there from before the file until after the entry.

The writer holds a lock on its marker, and the lock ends with the process. A marker without a lock is the trace of a run that was
cut off: whoever opens the log next enters what it names, and takes the marker away.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from harness.errors import StoreError
from harness.files.disk import make_folder, store_error, sync_folder
from harness.files.lock import FileLock
from harness.files.names import check_id, dated_name
from harness.files.proofs import PROOFS
from harness.records import Proof

PENDING = "pending"
TRIES, PAUSE_S = 2000, 0.01
"""How often a new marker's lock is tried, and the pause between: 20 s in all."""
WITHDRAWAL = "withdrawal-"
REFERENCE = "reference-"


@contextmanager
def pending_proof(root: Path, proof: Proof) -> Iterator[None]:
    """Hold the marker of a proof while it is filed and entered; StoreError where it cannot be made."""
    with _pending(root, dated_name(proof.circumstances.when, proof.proof)):
        yield


@contextmanager
def pending_withdrawal(root: Path, identity: str) -> Iterator[None]:
    """Hold the marker of a proof's withdrawal while it is filed and entered; StoreError where it cannot be made."""
    with _pending(root, f"{WITHDRAWAL}{check_id(identity)}"):
        yield


@contextmanager
def pending_reference(root: Path, stem: str) -> Iterator[None]:
    """Hold the marker of a chosen reference while it is filed and entered; StoreError where it cannot be made."""
    with _pending(root, f"{REFERENCE}{stem}"):
        yield


@contextmanager
def _pending(root: Path, name: str) -> Iterator[None]:
    folder = root / PENDING
    try:
        make_folder(folder)
        lock = _own(folder / name)
        sync_folder(folder)
    except OSError as error:
        raise store_error(error, f"cannot write into the folder {folder}") from None
    try:
        yield
    except BaseException:
        lock.release()  # the marker stays: what was filed, if it was, is entered later
        raise
    lock.release(remove=True)


def _own(path: Path) -> FileLock:
    """Take a new marker's lock; somebody who looks for markers of dead processes may have it for a moment.

    On a busy machine that moment can be long: that process has to have its turn before it lets go.
    """
    for _ in range(TRIES):
        with suppress(BlockingIOError):
            return FileLock(path)
        time.sleep(PAUSE_S)
    return FileLock(path)


def pending_names(root: Path) -> list[str]:
    """Return the names of all markers, sorted; StoreError where the folder cannot be read."""
    folder = root / PENDING
    try:
        return sorted(path.name for path in folder.iterdir()) if folder.exists() else []
    except OSError as error:
        raise store_error(error, f"cannot read the folder {folder}") from None


def settle(root: Path, name: str, enter: Callable[[str], bool]) -> None:
    """Call ``enter`` with the name of a marker that nobody holds, and take the marker away where it returns True.

    What is being written by a running process is left to that process.
    """
    path = root / PENDING / name
    with suppress(OSError):  # BlockingIOError: its writer lives; the others: it was settled in this moment, or a read-only disk
        lock = FileLock(path)
        try:
            done = enter(name)
        except BaseException:
            lock.release()
            raise
        lock.release(remove=done)


def folders_of(root: Path, dated: str) -> list[Path]:
    """Return the proof folders of this name, whatever the unit: one, or none where nothing was filed."""
    try:
        return sorted((root / PROOFS).glob(f"*/{dated}")) if "/" not in dated and "*" not in dated else []
    except OSError as error:
        raise StoreError(f"cannot read the folder {root / PROOFS}: {error.strerror}") from None
