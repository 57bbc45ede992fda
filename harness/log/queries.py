"""Questions to the log, as queries that every database of the log understands."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, func, not_, or_, select
from sqlalchemy.engine import Row

from harness.log.entries import Line, LogEntry, Query
from harness.log.schema import FAULTS, FIGURES, PROOFS, UNITS
from harness.records import Figure

_LINE = ("id", "unit", "batch", "type", "bench", "measured_local", "decision", "probability", "due", "withdrawn", "reworked")
LINE_COLUMNS = [PROOFS.c[name] for name in _LINE]
"""Everything but the record, which is the bulk of a row."""
RARE = 2_000
CHUNK = 500
"""Ids in one query: databases bound how many values one may hold."""


def newest_lines(asked: Query, limit: int | None, *, rare: bool = True) -> Select[Any]:
    """The newest proof that counts of each unit, newest first; where due units are asked for, the longest due first.

    ``rare``: whether few proofs have the fault that is asked for; it tells which way round the database had better look.
    """
    order = (PROOFS.c.due, PROOFS.c.id) if asked.due_before is not None else (PROOFS.c.measured.desc(), PROOFS.c.id.desc())
    return select(*LINE_COLUMNS).where(is_newest_of_unit(), *conditions(asked, rare=rare)).order_by(*order).limit(limit)


def conditions(asked: Query, *, rare: bool = True) -> list[ColumnElement[bool]]:
    """The conditions of a query on the proofs' table; ``rare`` as for ``newest_lines``."""
    wanted = {
        PROOFS.c.unit: asked.unit,
        PROOFS.c.batch: asked.batch,
        PROOFS.c.type: asked.type_name,
        PROOFS.c.bench: asked.bench,
        PROOFS.c.decision: asked.decision,
    }
    found: list[ColumnElement[bool]] = [column == value for column, value in wanted.items() if value is not None]
    # Days are the bench's own: the local text decides; the UTC column, half a day wider, leads along the index.
    if asked.since is not None:
        day = date.fromisoformat(asked.since)
        found += [PROOFS.c.measured_local >= asked.since, PROOFS.c.measured >= str(day - timedelta(days=1))]
    if asked.until is not None:
        after = date.fromisoformat(asked.until) + timedelta(days=1)
        found += [PROOFS.c.measured_local < str(after), PROOFS.c.measured < str(after + timedelta(days=1))]
    if asked.fault is not None:
        having = select(FAULTS.c.proof).where(FAULTS.c.fault == asked.fault)
        found.append(PROOFS.c.id.in_(having) if rare else having.where(FAULTS.c.proof == PROOFS.c.id).exists())
    if asked.due_before is not None:
        found.append(PROOFS.c.due <= asked.due_before)
    return found


def is_rare(connection: Connection, fault: str | None) -> bool:
    """Tell whether fewer than RARE proofs have a fault."""
    some = select(FAULTS.c.proof).where(FAULTS.c.fault == fault).limit(RARE).subquery()
    return fault is not None and int(connection.execute(select(func.count()).select_from(some)).scalar_one()) < RARE


def is_newest_of_unit() -> ColumnElement[bool]:
    """No later proof of the same unit counts. As an anti-join the index on time gives the first 50 without reading the rest."""
    later = PROOFS.alias("later")
    after = or_(later.c.measured > PROOFS.c.measured, and_(later.c.measured == PROOFS.c.measured, later.c.id > PROOFS.c.id))
    exists = select(later.c.id).where(later.c.unit == PROOFS.c.unit, later.c.withdrawn.is_(None), after).exists()
    return and_(PROOFS.c.withdrawn.is_(None), not_(exists))


def proofs_of_batch(name: str) -> Select[Any]:
    """Every proof of the batch's units, withdrawn ones too, by the order in which the units were entered, oldest first."""
    joined = select(*LINE_COLUMNS).join(UNITS, UNITS.c.name == PROOFS.c.unit).where(UNITS.c.batch == name)
    return joined.order_by(UNITS.c.entered, UNITS.c.name, PROOFS.c.measured, PROOFS.c.id)


def lines(connection: Connection, query: Select[Any]) -> list[Line]:
    """Return the rows of a query over LINE_COLUMNS with their figures and faults: two more queries for each 500 of them."""
    rows = connection.execute(query).all()
    found: list[Line] = []
    for start in range(0, len(rows), CHUNK):
        part = rows[start : start + CHUNK]
        ids = [row.id for row in part]
        figures, faults = _figures(connection, ids), _faults(connection, ids)
        found += [_line(row, figures.get(row.id, {}), faults.get(row.id, ())) for row in part]
    return found


def _figures(connection: Connection, ids: Sequence[str]) -> dict[str, dict[str, Figure]]:
    columns = (FIGURES.c.proof, FIGURES.c.name, FIGURES.c.value, FIGURES.c.low, FIGURES.c.high, FIGURES.c.decision)
    found: dict[str, dict[str, Figure]] = {}
    for proof, name, value, low, high, decision in connection.execute(select(*columns).where(FIGURES.c.proof.in_(ids))):
        # What is in the log was checked when it was entered, and a batch of thousands has many figures.
        figure = Figure.model_construct(value=value, low=low, high=high, decision=decision)
        found.setdefault(proof, {})[name] = figure
    return found


def _faults(connection: Connection, ids: Sequence[str]) -> dict[str, tuple[tuple[str, float], ...]]:
    columns = (FAULTS.c.proof, FAULTS.c.fault, FAULTS.c.weight)
    query = select(*columns).where(FAULTS.c.proof.in_(ids)).order_by(FAULTS.c.proof, FAULTS.c.position)
    found: dict[str, tuple[tuple[str, float], ...]] = {}
    for proof, fault, weight in connection.execute(query):
        found[proof] = (*found.get(proof, ()), (fault, weight))
    return found


def _line(row: Row[Any], figures: dict[str, Figure], faults: tuple[tuple[str, float], ...]) -> Line:
    return Line(
        unit=row.unit,
        proof=row.id,
        batch=row.batch,
        type=row.type,
        bench=row.bench,
        when=row.measured_local,
        decision=row.decision,
        probability=row.probability,
        due=row.due,
        withdrawn=row.withdrawn,
        figures=figures,
        faults=faults,
        reworked=row.reworked,
    )


def entry_of(row: Row[Any]) -> LogEntry:
    """Return a whole row of the proofs' table as an entry."""
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
        withdrawn_when=row.withdrawn_when,
        kept=row.kept,
    )
