"""A batch's next serial, reserved: two benches that prove the same batch never take the same one.

The reservation is a row that names the log folder of the bench; which of the processes in one folder is at a serial is told by a
lock on a file, which ends with the process however it ends. A proof takes the row away; so does a run that leaves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, delete, insert, select, update

from harness.errors import StoreError
from harness.files import Journal, folder_name
from harness.files.disk import make_folder, store_error
from harness.files.lock import FileLock
from harness.log.schema import SERIALS, UNITS
from harness.log.serials import first_serial, following_serial, order_of_serial

if TYPE_CHECKING:
    from harness.log.unit_log import Log

SERIAL_LOCKS = "serials"
FREE = "-"
"""Holder of a serial that was let go when later ones were taken already: whoever comes next takes it."""


@contextmanager
def reserved_serial(log: Log, root: Path, batch: str, first: str | None = None) -> Iterator[str]:
    """Reserve the batch's next serial for as long as this is entered, and give it.

    On leaving, the serial is let go where it has neither a proof nor a run that can go on. UsageError as ``Log.reserve_serial``;
    StoreError: the log or the folder cannot be written.
    """
    held: list[FileLock] = []

    def take(serial: str) -> bool:
        lock = _lock(root, serial)
        held.extend([] if lock is None else [lock])
        return lock is not None

    try:
        serial = log.reserve_serial(batch, first, take)
        try:
            yield serial
        finally:
            with suppress(StoreError):  # out of reach: it stays reserved for this folder, which takes it first next time
                if not Journal.is_left(root, serial):
                    log.release_serial(serial)
    finally:
        for lock in held:
            lock.release(remove=True)


def reserve(connection: Connection, batch: str, first: str | None, holder: str, take: Callable[[str], bool]) -> str:
    """Reserve a serial within a transaction that no other writer shares; as ``Log.reserve_serial``."""
    of_batch = select(SERIALS.c.serial, SERIALS.c.holder).where(SERIALS.c.batch == batch)
    taken = sorted(connection.execute(of_batch).all(), key=lambda row: order_of_serial(row.serial))
    for row in taken:
        if row.holder in (holder, FREE) and take(row.serial):
            connection.execute(update(SERIALS).where(SERIALS.c.serial == row.serial).values(holder=holder))
            return str(row.serial)
    last_of_batch = select(UNITS.c.name).where(UNITS.c.batch == batch).order_by(UNITS.c.entered.desc()).limit(1)
    last = connection.execute(last_of_batch).scalar() or (taken[-1].serial if taken else None)
    serial = following_serial(last) if last is not None else first_serial(batch, first)
    while _is_known(connection, serial) or not take(serial):
        serial = following_serial(serial)
    connection.execute(insert(SERIALS).values(serial=serial, batch=batch, holder=holder))
    return serial


def release(connection: Connection, serial: str, holder: str) -> None:
    """Let a serial go within a transaction, as ``Log.release_serial``."""
    mine = (SERIALS.c.serial == serial, SERIALS.c.holder == holder)
    batch = connection.execute(select(SERIALS.c.batch).where(*mine)).scalar()
    if batch is None:
        return
    units = connection.execute(select(UNITS.c.name).where(UNITS.c.batch == batch)).scalars()
    others = connection.execute(select(SERIALS.c.serial).where(SERIALS.c.batch == batch)).scalars()
    letters, number, _ = order_of_serial(serial)
    later = any(order_of_serial(other)[0] == letters and order_of_serial(other)[1] > number for other in (*units, *others))
    connection.execute(update(SERIALS).where(*mine).values(holder=FREE) if later else delete(SERIALS).where(*mine))


def _is_known(connection: Connection, serial: str) -> bool:
    unit = select(UNITS.c.name).where(UNITS.c.name == serial)
    reserved = select(SERIALS.c.serial).where(SERIALS.c.serial == serial)
    return any(connection.execute(query).scalar() is not None for query in (unit, reserved))


def _lock(root: Path, serial: str) -> FileLock | None:
    path = root / SERIAL_LOCKS / folder_name(serial)
    try:
        make_folder(path.parent)
        return FileLock(path)
    except BlockingIOError:
        return None
    except OSError as error:
        raise store_error(error, f"cannot write {path}") from None
