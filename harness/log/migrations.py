"""Numbered migrations. Each runs in one transaction together with the row that records it; none is ever changed once released.

Plain SQL that every database of the log understands.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Engine, inspect, text

from harness.errors import FileError, StoreError
from harness.log.due import due_time
from harness.log.entries import reworked_of
from harness.records import parse_proof


@dataclass(frozen=True)
class Migration:
    """One step from a version of the tables to the next."""

    number: int
    name: str
    statements: tuple[str, ...]
    fill: Callable[[Connection], None] | None = None
    """Fills new columns from what is there; runs after the statements, in the same transaction."""


def _fill_due(connection: Connection) -> None:
    """Tell when each unit is due, from the type in each proof's record; a record that cannot be read leaves it open."""
    rows = connection.execute(text("SELECT id, record FROM proofs WHERE record LIKE '%recheck_months%'"))
    for identity, record in rows.all():
        try:
            proof = parse_proof(record, identity)
        except FileError:
            continue
        due = due_time(proof.circumstances.when, proof.type.type.recheck_months)
        connection.execute(text("UPDATE proofs SET due = :due WHERE id = :id"), {"due": due, "id": identity})


def _fill_reworked(connection: Connection) -> None:
    """Tell what was done to a unit before a proof, from each record; one that cannot be read leaves it open."""
    rows = connection.execute(text('SELECT id, record FROM proofs WHERE record LIKE \'%"reworked":"%\''))
    for identity, record in rows.all():
        try:
            reworked = reworked_of(parse_proof(record, identity))
        except FileError:
            continue
        connection.execute(text("UPDATE proofs SET reworked = :reworked WHERE id = :id"), {"reworked": reworked, "id": identity})


MIGRATIONS = (
    Migration(
        1,
        "units and proofs",
        (
            "CREATE TABLE units (name VARCHAR(64) NOT NULL PRIMARY KEY, entered INTEGER NOT NULL, batch VARCHAR(64),"
            " type VARCHAR(64) NOT NULL)",
            "CREATE TABLE proofs (id VARCHAR(64) NOT NULL PRIMARY KEY, unit VARCHAR(64) NOT NULL REFERENCES units (name),"
            " batch VARCHAR(64), type VARCHAR(64) NOT NULL, bench VARCHAR(64), measured VARCHAR(27) NOT NULL,"
            " measured_local VARCHAR(40) NOT NULL, decision VARCHAR(20) NOT NULL, probability DOUBLE PRECISION,"
            " program VARCHAR(64) NOT NULL, folder VARCHAR(300) NOT NULL, record TEXT NOT NULL, withdrawn TEXT)",
            "CREATE TABLE figures (proof VARCHAR(64) NOT NULL REFERENCES proofs (id), name VARCHAR(64) NOT NULL,"
            " value DOUBLE PRECISION NOT NULL, low DOUBLE PRECISION, high DOUBLE PRECISION, decision VARCHAR(20),"
            " PRIMARY KEY (proof, name))",
            "CREATE TABLE faults (proof VARCHAR(64) NOT NULL REFERENCES proofs (id), position INTEGER NOT NULL,"
            " fault VARCHAR(64) NOT NULL, weight DOUBLE PRECISION NOT NULL, PRIMARY KEY (proof, position))",
        ),
    ),
    Migration(
        2,
        "indices for the queries",
        (
            "CREATE INDEX proofs_by_time ON proofs (measured, id)",
            "CREATE INDEX proofs_by_unit ON proofs (unit, measured, id)",
            "CREATE INDEX proofs_by_batch ON proofs (batch, measured)",
            "CREATE INDEX units_by_batch ON units (batch, entered)",
            "CREATE INDEX figures_by_name ON figures (name, value)",
        ),
    ),
    Migration(
        3,
        "when due, when withdrawn, where kept",
        (
            "ALTER TABLE proofs ADD COLUMN due VARCHAR(27)",
            "ALTER TABLE proofs ADD COLUMN withdrawn_when VARCHAR(40)",
            "ALTER TABLE proofs ADD COLUMN kept VARCHAR(64)",
            "CREATE INDEX proofs_by_due ON proofs (due, id)",
            "CREATE INDEX faults_by_name ON faults (fault, proof)",
            "CREATE INDEX units_by_entered ON units (entered)",
        ),
        _fill_due,
    ),
    Migration(4, "a reference proof that was chosen", ("ALTER TABLE units ADD COLUMN reference VARCHAR(64)",)),
    Migration(
        5,
        "what was done to a unit, when a reference was chosen, serials that are taken",
        (
            "ALTER TABLE proofs ADD COLUMN reworked TEXT",
            "ALTER TABLE units ADD COLUMN reference_when VARCHAR(40)",
            "UPDATE units SET reference_when = (SELECT measured_local FROM proofs WHERE proofs.id = units.reference)",
            "CREATE TABLE serials (serial VARCHAR(64) NOT NULL PRIMARY KEY, batch VARCHAR(64) NOT NULL,"
            " holder VARCHAR(64) NOT NULL)",
            "CREATE INDEX serials_by_batch ON serials (batch, serial)",
        ),
        _fill_reworked,
    ),
    Migration(
        6,
        "readings at the sample port",
        (
            "CREATE TABLE readings (id VARCHAR(64) NOT NULL PRIMARY KEY, unit VARCHAR(64) NOT NULL REFERENCES units (name),"
            " taken VARCHAR(27) NOT NULL, record TEXT NOT NULL)",
            "CREATE INDEX readings_by_unit ON readings (unit, taken, id)",
        ),
    ),
)


def migrate(engine: Engine, migrations: Sequence[Migration] = MIGRATIONS) -> int:
    """Bring the database up to the last of ``migrations`` and return its version.

    StoreError where the database is of a later version, or holds tables that are none of this program's. Two processes may
    open a new log at once: the second waits, and finds the work done.
    """
    with engine.begin() as connection:  # a plain look first: to open a log that is up to date waits for nobody's writing
        version = _version(connection)
    if version > len(migrations):
        raise StoreError(
            f"the log is of version {version}; this program knows versions up to {len(migrations)}",
            hint="Use the newer program that wrote it; nothing was changed.",
        )
    writing = engine.execution_options(writes=True)
    for migration in migrations[version:]:
        with writing.begin() as connection:
            take_turns(connection)
            if _version(connection) < migration.number:
                _apply(connection, migration)
    return len(migrations)


def _version(connection: Connection) -> int:
    tables = inspect(connection).get_table_names()
    if "migrations" in tables:
        found = connection.execute(text("SELECT MAX(number) FROM migrations")).scalar()
        return int(found or 0)
    if {"units", "proofs"} & set(tables):
        raise StoreError(
            "the database has tables of the log's names, but was not made by this program",
            hint="Choose another folder or database with --log.",
        )
    return 0


def _apply(connection: Connection, migration: Migration) -> None:
    if migration.number == 1:
        connection.execute(text("CREATE TABLE migrations (number INTEGER NOT NULL PRIMARY KEY, name VARCHAR(100) NOT NULL)"))
    for statement in migration.statements:
        connection.execute(text(statement))
    if migration.fill is not None:
        migration.fill(connection)
    record = text("INSERT INTO migrations (number, name) VALUES (:number, :name)")
    connection.execute(record, {"number": migration.number, "name": migration.name})


def take_turns(connection: Connection) -> None:
    """SQLite's writing transactions take turns by themselves; PostgreSQL's need a lock for the length of the transaction."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(7201935)"))
