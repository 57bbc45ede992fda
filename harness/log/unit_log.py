"""The log itself: writing a proof in one transaction, and the questions it answers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Select, delete, func, insert, select, update

from harness.errors import StoreError, UsageError
from harness.files import LogAddress, ReferenceChoice, folder_id
from harness.log import reading_log
from harness.log.engine import make_engine, told
from harness.log.entering import enter_results, enter_unit, proof_row, update_unit
from harness.log.entries import Line, LogEntry, Query
from harness.log.migrations import migrate, take_turns
from harness.log.queries import conditions, entry_of, is_newest_of_unit, is_rare, lines, newest_lines, proofs_of_batch
from harness.log.reserving import release, reserve
from harness.log.schema import PROOFS, SERIALS, UNITS
from harness.records import LoggedReading, Proof, parse_proof

LATEST = 50
WAITS = "The proof is whole in its folder; the next command that opens the log enters it."


class Log:
    """The record of all units and proofs. Made by ``harness.log.open_log``; every method raises StoreError."""

    def __init__(self, address: LogAddress) -> None:
        self.address = address
        self._engine = make_engine(address)
        self._writing = self._engine.execution_options(writes=True)
        try:
            with told(address, "open"):
                self.version = migrate(self._engine)
            self.kept = folder_id(address.folder) if address.database is not None else None
        except BaseException:
            self._engine.dispose()
            raise

    def record(self, proof: Proof, folder: Path) -> bool:
        """Enter a filed proof and its folder, in one transaction; False where it was entered before, unchanged.

        StoreError where another proof has its id, where the folder is not in the log folder, or where the database is out of
        reach; the hint says then that the proof is not lost.
        """
        row = proof_row(proof, self._relative(folder), self.kept)
        try:
            with told(self.address, "write"):
                known = self._enter(proof, row)
        except StoreError as error:
            raise StoreError(error.message, hint=f"{WAITS} {error.hint}") from None
        if known is None:
            return True
        if known == row["record"] or parse_proof(known, "the log's record") == proof:  # a later version writes more fields
            return False
        raise StoreError(
            f"another proof with the id {proof.proof} is in the log",
            hint="Run 'tapproof log check' to see which of the two was changed.",
        )

    def _enter(self, proof: Proof, row: dict[str, Any]) -> str | None:
        """Enter a proof, or return the record that stands under its id already. Writers take turns: none overtakes another."""
        with self._writing.begin() as connection:
            take_turns(connection)
            known: str | None = connection.execute(select(PROOFS.c.record).where(PROOFS.c.id == proof.proof)).scalar()
            if known is None:
                enter_unit(connection, proof)
                connection.execute(insert(PROOFS).values(row))
                update_unit(connection, proof.unit)
                enter_results(connection, proof)
                connection.execute(delete(SERIALS).where(SERIALS.c.serial == proof.unit))
        return known

    def lines(self, asked: Query | None = None, limit: int | None = LATEST) -> list[Line]:
        """Return the newest proof that counts of each unit, newest first, without records; ``limit`` None: all units.

        Where due units are asked for, the longest due stands first.
        """
        with told(self.address, "read"), self._engine.connect() as connection:
            wish = asked or Query()
            return lines(connection, newest_lines(wish, limit, rare=is_rare(connection, wish.fault)))

    def batch_lines(self, name: str) -> list[Line]:
        """Return every proof of a batch's units, withdrawn ones too: by the order in which the units were entered, oldest first.

        An empty list where no unit is in such a batch.
        """
        with told(self.address, "read"), self._engine.connect() as connection:
            return lines(connection, proofs_of_batch(name))

    def latest(
        self,
        limit: int | None = LATEST,
        *,
        batch: str | None = None,
        type_name: str | None = None,
        bench: str | None = None,
        decision: str | None = None,
    ) -> list[LogEntry]:
        """Return the newest proof of each unit with its record, newest first; those withdrawn do not count."""
        asked = Query(batch=batch, type_name=type_name, bench=bench, decision=decision)
        query = select(PROOFS).where(is_newest_of_unit(), *conditions(asked))
        return self._entries(query.order_by(PROOFS.c.measured.desc(), PROOFS.c.id.desc()).limit(limit))

    def history(self, unit: str) -> list[LogEntry]:
        """Return all proofs of a unit, newest first, withdrawn ones too; an empty list where the unit is not known."""
        query = select(PROOFS).where(PROOFS.c.unit == unit)
        return self._entries(query.order_by(PROOFS.c.measured.desc(), PROOFS.c.id.desc()))

    def batch(self, name: str) -> list[LogEntry]:
        """Return the newest proof of each unit of a batch, by the order in which the units were entered."""
        query = select(PROOFS).join(UNITS, UNITS.c.name == PROOFS.c.unit).where(UNITS.c.batch == name, is_newest_of_unit())
        return self._entries(query.order_by(UNITS.c.entered, UNITS.c.name))

    def proof(self, identity: str) -> LogEntry | None:
        """Return one proof by its id, or None."""
        found = self._entries(select(PROOFS).where(PROOFS.c.id == identity))
        return found[0] if found else None

    def entries(self) -> list[LogEntry]:
        """Return every proof, oldest first."""
        return self._entries(select(PROOFS).order_by(PROOFS.c.measured, PROOFS.c.id))

    def ids(self, unit: str | None = None, batch: str | None = None) -> list[str]:
        """Return proof ids, all or of one unit or batch: by the order in which units were entered, the oldest proof first."""
        query = select(PROOFS.c.id).join(UNITS, UNITS.c.name == PROOFS.c.unit)
        for column, value in ((PROOFS.c.unit, unit), (UNITS.c.batch, batch)):
            query = query if value is None else query.where(column == value)
        with told(self.address, "read"), self._engine.connect() as connection:
            ordered = query.order_by(UNITS.c.entered, UNITS.c.name, PROOFS.c.measured, PROOFS.c.id)
            return list(connection.execute(ordered).scalars())

    def folders(self) -> dict[str, str]:
        """Return proof id → folder of every proof that is kept in this log folder."""
        query = select(PROOFS.c.id, PROOFS.c.folder)
        query = query if self.kept is None else query.where((PROOFS.c.kept == self.kept) | PROOFS.c.kept.is_(None))
        with told(self.address, "read"), self._engine.connect() as connection:
            return {row.id: row.folder for row in connection.execute(query)}

    def withdrawals(self) -> dict[str, str]:
        """Return proof id → reason of every withdrawn proof."""
        query = select(PROOFS.c.id, PROOFS.c.withdrawn).where(PROOFS.c.withdrawn.is_not(None))
        with told(self.address, "read"), self._engine.connect() as connection:
            return {row.id: row.withdrawn for row in connection.execute(query)}

    def unit_names(self) -> list[str]:
        """Return the names of all units, sorted."""
        with told(self.address, "read"), self._engine.connect() as connection:
            return list(connection.execute(select(UNITS.c.name).order_by(UNITS.c.name)).scalars())

    def count(self) -> int:
        """Return how many proofs are in the log."""
        with told(self.address, "read"), self._engine.connect() as connection:
            return int(connection.execute(select(func.count()).select_from(PROOFS)).scalar_one())

    def reserve_serial(self, batch: str, first: str | None, take: Callable[[str], bool]) -> str:
        """Reserve the batch's next serial ("CL-0007" → "CL-0008"; for a new batch ``first``, or "<batch>-0001") and return it.

        In one transaction, so that two benches never get the same. A serial that this folder reserved and left at a kept run
        comes first. ``take`` makes a serial this process's own; False: another process here is at it, and the next is tried.
        UsageError where the last serial does not end in a number.
        """
        with told(self.address, "write"), self._writing.begin() as connection:
            take_turns(connection)
            return reserve(connection, batch, first, self.kept or "", take)

    def release_serial(self, serial: str) -> None:
        """Let a serial go that this folder reserved and that no proof has; without effect where there is none such.

        Where later serials of the batch are taken, it is the next one for whoever asks; so a batch gets no gap.
        """
        with told(self.address, "write"), self._writing.begin() as connection:
            take_turns(connection)
            release(connection, serial, self.kept or "")

    def withdraw(self, identity: str, reason: str, when: str | None = None) -> None:
        """Set a proof aside with a reason; its files and its row stay.

        UsageError: no such proof, no reason, or withdrawn before (a correction is not corrected by writing over it).
        """
        if not reason.strip():
            raise UsageError("a proof is withdrawn with a reason", hint="Say in a few words why it does not count.")
        this = PROOFS.c.id == identity
        with told(self.address, "write"), self._writing.begin() as connection:
            take_turns(connection)
            found = connection.execute(select(PROOFS.c.withdrawn).where(this)).first()
            if found is None:
                raise UsageError(f"the log has no proof {identity}", hint="'tapproof show UNIT' lists a unit's proofs.")
            if found.withdrawn is not None:
                raise UsageError(f"proof {identity} is withdrawn already: {found.withdrawn}", hint="Nothing was changed.")
            connection.execute(update(PROOFS).where(this).values(withdrawn=reason.strip(), withdrawn_when=when))

    def reference(self, unit: str) -> str | None:
        """Return the id of the reference proof that was chosen for a unit, None where none was."""
        return self.references(unit).get(unit, (None, ""))[0]

    def references(self, unit: str | None = None) -> dict[str, tuple[str, str]]:
        """Return unit → the proof that was chosen as its reference, and when; of one unit or of all that have one."""
        query = select(UNITS.c.name, UNITS.c.reference, UNITS.c.reference_when).where(UNITS.c.reference.is_not(None))
        query = query if unit is None else query.where(UNITS.c.name == unit)
        with told(self.address, "read"), self._engine.connect() as connection:
            return {row.name: (row.reference, row.reference_when) for row in connection.execute(query)}

    def enter_reference(self, choice: ReferenceChoice) -> bool:
        """Compare the choice's unit with the choice's proof from its time on; False where a later choice is known, or this one.

        UsageError: it is no proof of this unit.
        """
        unit, this = choice.unit, UNITS.c.name == choice.unit
        with told(self.address, "write"), self._writing.begin() as connection:
            take_turns(connection)
            found = connection.execute(select(PROOFS.c.unit).where(PROOFS.c.id == choice.proof)).scalar()
            if found != unit:
                raise UsageError(f"{unit} has no proof {choice.proof!r}", hint=f"'tapproof show {unit}' lists its proofs.")
            known = connection.execute(select(UNITS.c.reference, UNITS.c.reference_when).where(this)).one()
            if not choice.is_later_than(known.reference, known.reference_when):
                return False
            connection.execute(update(UNITS).where(this).values(reference=choice.proof, reference_when=choice.when))
        return True

    def enter_reading(self, reading: LoggedReading) -> bool:
        """Enter a filed reading; False where it was entered before. UsageError: its unit is not known."""
        with told(self.address, "write"), self._writing.begin() as connection:
            take_turns(connection)
            return reading_log.enter(connection, reading)

    def readings(self, unit: str) -> list[LoggedReading]:
        """Return the logged readings of a unit, oldest first."""
        with told(self.address, "read"), self._engine.connect() as connection:
            return reading_log.of_unit(connection, unit)

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
            return [entry_of(row) for row in connection.execute(query)]
