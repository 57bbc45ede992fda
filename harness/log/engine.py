"""The database engine: SQLite in the log folder, or a PostgreSQL server; foreign exceptions are translated here."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, IntegrityError, NoSuchModuleError, OperationalError, SQLAlchemyError

from harness.errors import StoreError, UsageError
from harness.files import LogAddress
from harness.files.disk import make_folder, store_error

DATABASE_FILE = "log.sqlite"
BUSY_SECONDS = 10.0
"""How long to wait for another process that writes."""


def make_engine(address: LogAddress) -> Engine:
    """Return the engine of a log; nothing is opened yet except that the folder is made. StoreError, UsageError."""
    try:
        make_folder(address.folder)
    except OSError as error:
        raise store_error(error, f"cannot make the log folder {address.folder}") from None
    if address.database is not None:
        return _server(address.database)
    engine = create_engine(
        URL.create("sqlite", database=str(address.folder / DATABASE_FILE)), connect_args={"timeout": BUSY_SECONDS}
    )
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def shown(address: LogAddress) -> str:
    """Return the log's address for messages, a password hidden."""
    if address.database is None:
        return str(address.folder / DATABASE_FILE)
    try:
        return make_url(address.database).render_as_string(hide_password=True)
    except (ArgumentError, ValueError):
        return "postgresql://…"


@contextmanager
def told(address: LogAddress, doing: str) -> Iterator[None]:
    """Turn the database library's exceptions into StoreError. ``doing`` reads "open", "read", "write"."""
    try:
        yield
    except SQLAlchemyError as error:
        came = str(getattr(error, "orig", None) or error).strip().split("\n")[0]
        raise StoreError(f"cannot {doing} the log {shown(address)}: {came}", hint=_hint(error, came)) from None


def _server(database: str) -> Engine:
    try:
        return create_engine(make_url(database).set(drivername="postgresql+psycopg"), pool_pre_ping=True)
    except (ArgumentError, ValueError):
        raise UsageError("--log: the database's address cannot be read", hint="Write postgresql://user@host/database.") from None
    except (ModuleNotFoundError, NoSuchModuleError):
        raise StoreError(
            "a shared log needs the psycopg library, which is not installed", hint="Install tapproof[shared]."
        ) from None


def _prepare_sqlite(connection: Any, _record: object) -> None:
    """Turn the driver's own transactions off (they leave table changes outside), and say how the file is used."""
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", f"busy_timeout = {BUSY_SECONDS * 1000:.0f}"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    """A transaction that will write says so at once: one that starts reading could not wait for another's writing later."""
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _hint(error: SQLAlchemyError, came: str) -> str:
    said = came.lower()
    if "locked" in said:
        return "Another program is writing to the log; wait, and run again."
    if "disk is full" in said or "disk full" in said:
        return "Free some space on that disk. Proofs whose folders are whole are entered by 'tapproof log check'."
    if "readonly" in said or "unable to open" in said or "permission" in said:
        return "Make the log folder writable for you, or choose another with --log."
    if "not a database" in said or "malformed" in said:
        return "Move the file away and run 'tapproof log check': it is made again from the proof folders."
    if isinstance(error, IntegrityError):
        return "Run 'tapproof log check'."
    if isinstance(error, OperationalError):
        return "Check that the database is there and reachable."
    return "Run 'tapproof log check'."
