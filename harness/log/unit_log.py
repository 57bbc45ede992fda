"""The log itself: writing a proof in one transaction, and the queries."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import ColumnElement, Connection, Select, and_, func, insert, not_, or_, select, update
from sqlalchemy.engine import Row

from harness.errors import StoreError, UsageError
from harness.files import LogAddress, check_name
from harness.files.names import utc_time
from harness.log.engine import make_engine, told
from harness.log.entries import LogEntry
from harness.log.migrations import migrate
from harness.log.schema import FAULTS, FIGURES, PROOFS, UNITS
from harness.log.serials import first_serial, following_serial
from harness.records import Proof

LATEST = 50


class Log:
    """The record of all units and proofs. Made by ``harness.log.open_log``; every method raises StoreError."""

    def __init__(self, address: LogAddress) -> None:
        self.address = address
        self._engine = make_engine(address)
        self._writing = self._engine.execution_options(writes=True)
        try:
            with told(address, "open"):
                self.version = migrate(self._engine)
        except BaseException:
            self._engine.dispose()
            raise

    def record(self, proof: Proof, folder: Path) -> bool:
        """Enter a filed proof and its folder, in one transaction; False where it was entered before, unchanged.

        StoreError where another proof has its id, or where the folder is not in the log folder.
        """
        row = _proof_row(proof, self._relative(folder))
        with told(self.address, "write"), self._writing.begin() as connection:
            known = connection.execute(select(PROOFS.c.record).where(PROOFS.c.id == proof.proof)).scalar()
            if known is not None:
                if known == row["record"]:
                    return False
                raise StoreError(
                    f"another proof with the id {proof.proof} is in the log",
                    hint="Run 'tapproof log check' to see which of the two was changed.",
                )
            _enter_unit(connection, proof)
            connection.execute(insert(PROOFS).values(row))
            _enter_results(connection, proof)
        return True

    def latest(
        self,
        limit: int | None = LATEST,
        *,
        batch: str | None = None,
        type_name: str | None = None,
        bench: str | None = None,
        decision: str | None = None,
    ) -> list[LogEntry]:
        """Return the newest proof of each unit, newest first; those withdrawn do not count. ``limit`` None: all units."""
        wanted = {PROOFS.c.batch: batch, PROOFS.c.type: type_name, PROOFS.c.bench: bench, PROOFS.c.decision: decision}
        filters = [column == value for column, value in wanted.items() if value is not None]
        query = select(PROOFS).where(_is_newest_of_unit(), *filters)
        return self._entries(query.order_by(PROOFS.c.measured.desc(), PROOFS.c.id.desc()).limit(limit))

    def history(self, unit: str) -> list[LogEntry]:
        """Return all proofs of a unit, newest first, withdrawn ones too; an empty list where the unit is not known."""
        query = select(PROOFS).where(PROOFS.c.unit == unit)
        return self._entries(query.order_by(PROOFS.c.measured.desc(), PROOFS.c.id.desc()))

    def batch(self, name: str) -> list[LogEntry]:
        """Return the newest proof of each unit of a batch, by the order in which the units were entered."""
        query = select(PROOFS).join(UNITS, UNITS.c.name == PROOFS.c.unit).where(UNITS.c.batch == name, _is_newest_of_unit())
        return self._entries(query.order_by(UNITS.c.entered))

    def proof(self, identity: str) -> LogEntry | None:
        """Return one proof by its id, or None."""
        found = self._entries(select(PROOFS).where(PROOFS.c.id == identity))
        return found[0] if found else None

    def entries(self) -> list[LogEntry]:
        """Return every proof, oldest first."""
        return self._entries(select(PROOFS).order_by(PROOFS.c.measured, PROOFS.c.id))

    def folders(self) -> dict[str, str]:
        """Return proof id → folder of every proof."""
        with told(self.address, "read"), self._engine.connect() as connection:
            return {row.id: row.folder for row in connection.execute(select(PROOFS.c.id, PROOFS.c.folder))}

    def next_serial(self, batch: str, first: str | None = None) -> str:
        """Return the serial after the batch's last one ("CL-0007" → "CL-0008"); for a new batch ``first``, or "<batch>-0001".

        Serials that are in the log already are passed over. UsageError where the last serial does not end in a number.
        """
        last_of_batch = select(UNITS.c.name).where(UNITS.c.batch == batch).order_by(UNITS.c.entered.desc()).limit(1)
        with told(self.address, "read"), self._engine.connect() as connection:
            last = connection.execute(last_of_batch).scalar()
            serial = following_serial(last) if last is not None else first_serial(batch, first)
            while connection.execute(select(UNITS.c.name).where(UNITS.c.name == serial)).scalar() is not None:
                serial = following_serial(serial)
        return serial

    def withdraw(self, identity: str, reason: str) -> None:
        """Set a proof aside with a reason; its files and its row stay. UsageError: no such proof, or no reason."""
        if not reason.strip():
            raise UsageError("a proof is withdrawn with a reason", hint="Say in a few words why it does not count.")
        with told(self.address, "write"), self._writing.begin() as connection:
            done = connection.execute(update(PROOFS).where(PROOFS.c.id == identity).values(withdrawn=reason.strip()))
            if done.rowcount == 0:
                raise UsageError(f"the log has no proof {identity}", hint="'tapproof show UNIT' lists a unit's proofs.")

    def close(self) -> None:
        """Close the database. Twice is no error."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        """Return the log itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Close."""
        self.close()

    def _relative(self, folder: Path) -> str:
        try:
            return folder.resolve().relative_to(self.address.folder.resolve()).as_posix()
        except ValueError:
            raise StoreError(
                f"the proof's folder {folder} is not in the log folder {self.address.folder}",
                hint="Bring it in with 'tapproof log import'.",
            ) from None

    def _entries(self, query: Select[Any]) -> list[LogEntry]:
        with told(self.address, "read"), self._engine.connect() as connection:
            return [_entry(row) for row in connection.execute(query)]


def _is_newest_of_unit() -> ColumnElement[bool]:
    """No later proof of the same unit counts. As an anti-join the index on time gives the first 50 without reading the rest."""
    later = PROOFS.alias("later")
    after = or_(later.c.measured > PROOFS.c.measured, and_(later.c.measured == PROOFS.c.measured, later.c.id > PROOFS.c.id))
    exists = select(later.c.id).where(later.c.unit == PROOFS.c.unit, later.c.withdrawn.is_(None), after).exists()
    return and_(PROOFS.c.withdrawn.is_(None), not_(exists))


def _entry(row: Row[Any]) -> LogEntry:
    return LogEntry(
        unit=row.unit,
        proof=row.id,
        batch=row.batch,
        type=row.type,
        bench=row.bench,
        when=row.measured_local,
        decision=row.decision,
        probability=row.probability,
        program=row.program,
        folder=row.folder,
        withdrawn=row.withdrawn,
        text=row.record,
    )


def _proof_row(proof: Proof, folder: str) -> dict[str, Any]:
    when = proof.circumstances.when
    return {
        "id": proof.proof,
        "unit": check_name(proof.unit),
        "batch": None if proof.batch is None else check_name(proof.batch, "batch"),
        "type": proof.type.name,
        "bench": None if proof.bench is None else proof.bench.name,
        "measured": f"{utc_time(when):%Y-%m-%dT%H:%M:%S.%fZ}",
        "measured_local": when,
        "decision": proof.decision,
        "probability": proof.probability,
        "program": proof.circumstances.program,
        "folder": folder,
        "record": proof.model_dump_json(),
    }


def _enter_unit(connection: Connection, proof: Proof) -> None:
    known = connection.execute(select(UNITS.c.name).where(UNITS.c.name == proof.unit)).scalar()
    if known is None:
        entered = select(func.coalesce(func.max(UNITS.c.entered), 0) + 1).scalar_subquery()
        row = {"name": proof.unit, "entered": entered, "batch": proof.batch, "type": proof.type.name}
        connection.execute(insert(UNITS).values(row))
        return
    changed = {"type": proof.type.name} | ({} if proof.batch is None else {"batch": proof.batch})
    connection.execute(update(UNITS).where(UNITS.c.name == proof.unit).values(changed))


def _enter_results(connection: Connection, proof: Proof) -> None:
    figures = [
        {"proof": proof.proof, "name": name, "value": figure.value, "low": figure.low, "high": figure.high}
        | {"decision": figure.decision}
        for name, figure in proof.figures.items()
    ]
    faults = [
        {"proof": proof.proof, "position": position, "fault": entry.fault, "weight": entry.weight}
        for position, entry in enumerate(proof.faults)
    ]
    for table, rows in ((FIGURES, figures), (FAULTS, faults)):
        if rows:
            connection.execute(insert(table), rows)
