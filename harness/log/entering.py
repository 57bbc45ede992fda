"""Rows of a proof: what is written into the log's tables."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from harness.files import check_name
from harness.files.names import utc_time
from harness.log.due import due_time, utc_text
from harness.log.entries import reworked_of
from harness.log.schema import FAULTS, FIGURES, PROOFS, UNITS
from harness.records import Proof


def proof_row(proof: Proof, folder: str, kept: str | None) -> dict[str, Any]:
    """Return the row of a proof. UsageError: a unit or batch that is no name; StoreError: a time that is none."""
    when = proof.circumstances.when
    return {
        "id": proof.proof,
        "unit": check_name(proof.unit),
        "batch": None if proof.batch is None else check_name(proof.batch, "batch"),
        "type": proof.type.name,
        "bench": None if proof.bench is None else proof.bench.name,
        "measured": utc_text(utc_time(when)),
        "measured_local": when,
        "decision": proof.decision,
        "probability": proof.probability,
        "program": proof.circumstances.program,
        "folder": folder,
        "record": proof.model_dump_json(),
        "due": due_time(when, proof.type.type.recheck_months),
        "kept": kept,
        "reworked": reworked_of(proof),
    }


def enter_unit(connection: Connection, proof: Proof) -> None:
    """Enter a proof's unit where it is not known."""
    known = connection.execute(select(UNITS.c.name).where(UNITS.c.name == proof.unit)).scalar()
    if known is None:
        entered = select(func.coalesce(func.max(UNITS.c.entered), 0) + 1).scalar_subquery()
        row = {"name": proof.unit, "entered": entered, "batch": proof.batch, "type": proof.type.name}
        connection.execute(insert(UNITS).values(row))


def update_unit(connection: Connection, unit: str) -> None:
    """Give a unit the type of its newest proof and the batch that was last said of it, in whatever order they were entered."""
    newest = select(PROOFS.c.type, PROOFS.c.batch).where(PROOFS.c.unit == unit)
    newest = newest.order_by(PROOFS.c.measured.desc(), PROOFS.c.id.desc()).limit(1)
    type_ = connection.execute(newest).one().type
    batch = connection.execute(newest.where(PROOFS.c.batch.is_not(None))).first()
    changed = {"type": type_} | ({} if batch is None else {"batch": batch.batch})
    connection.execute(update(UNITS).where(UNITS.c.name == unit).values(changed))


def enter_results(connection: Connection, proof: Proof) -> None:
    """Enter figures and faults of a proof."""
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
