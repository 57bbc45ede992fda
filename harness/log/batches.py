"""A batch as the statistics need it: its units in the order of building, read from the log's tables and not from records."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby, takewhile
from typing import Any, cast

from harness.analysis.batch import BatchStatistics, BatchUnit, batch_statistics, in_words
from harness.analysis.batch.units import NAMED
from harness.errors import UsageError
from harness.log.entries import Line
from harness.log.unit_log import Log
from harness.records import Decision

FIGURES = ("coupling_db", "flatness_db", "return_loss_db", "insertion_loss_db", "swr")
_SERIAL = re.compile(r"(?P<before>.*?)(?P<number>[0-9]+)", re.ASCII)


@dataclass(frozen=True)
class BatchReport:
    """A batch: its units in the order of building, missing ones among them, and the statistics for each type in it."""

    name: str
    units: tuple[BatchUnit, ...]
    statistics: dict[str, BatchStatistics]

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON document of ``batch``."""
        told = {type_: {**found.as_dict(), "says": list(in_words(found))} for type_, found in self.statistics.items()}
        return {"batch": self.name, "units": [unit_row(unit) for unit in self.units], "statistics": told}


def batch_report(log: Log, name: str) -> BatchReport:
    """Return units and statistics of a batch; UsageError where the log knows no such batch."""
    units = batch_units(log, name)
    if not units:
        raise UsageError(f"the log knows no batch {name!r}", hint="'tapproof list' shows the batches it knows.")
    statistics: dict[str, BatchStatistics] = {}
    for type_name in sorted({unit.type for unit in units if unit.type is not None}):
        of_type = [unit for unit in units if unit.type in (type_name, None)]
        newest = max((unit for unit in of_type if unit.proof is not None), key=lambda unit: unit.when or "", default=None)
        entry = None if newest is None or newest.proof is None else log.proof(newest.proof)
        if entry is not None:
            statistics[type_name] = batch_statistics(of_type, entry.record().type)
    return BatchReport(name, tuple(units), statistics)


def batch_units(log: Log, name: str) -> list[BatchUnit]:
    """Return the units of a batch in the order of building; an empty list where there is none.

    The order is that of the serials where all end in a number after the same letters, and a serial that is not there stands as
    missing; else it is that in which the units were entered.
    """
    proofs = log.batch_lines(name)
    units = [_unit(unit, list(lines)) for unit, lines in groupby(proofs, key=lambda line: line.unit)]
    return _in_order(units)


def unit_row(unit: BatchUnit) -> dict[str, Any]:
    """Return a unit as a plain row: names, decision, each figure's value, faults, why it is missing."""
    faults = [fault for fault, _ in unit.faults]
    head = {"unit": unit.unit, "proof": unit.proof, "type": unit.type, "when": unit.when, "decision": unit.decision}
    return {**head, **{name: unit.value(name) for name in FIGURES}, "faults": faults, "missing": unit.missing}


def _unit(name: str, lines: Sequence[Line]) -> BatchUnit:
    """Return a unit from all its proofs, oldest first."""
    counted = [line for line in lines if line.withdrawn is None]
    if not counted:
        return BatchUnit(name, lines[-1].type, missing="withdrawn")
    newest = counted[-1]
    return BatchUnit(
        name,
        newest.type,
        newest.proof,
        newest.when,
        cast(Decision, newest.decision),
        newest.figures,
        newest.faults,
        tuple(_repeats(counted)),
        cast(Decision, counted[0].decision),
    )


def _repeats(counted: Sequence[Line]) -> Iterable[float]:
    """Return the couplings of the proofs of the unit as it is now: back to where its type or its named faults were others, or
    to where it was reworked."""
    now = _condition(counted[-1])
    since = next((at for at, line in reversed([*enumerate(counted)]) if line.reworked is not None), 0)
    same = list(takewhile(lambda line: _condition(line) == now, reversed(counted[since:])))
    return [line.figures["coupling_db"].value for line in reversed(same) if "coupling_db" in line.figures]


def _condition(line: Line) -> tuple[str, tuple[str, ...]]:
    return line.type, tuple(sorted(name for name, weight in line.faults if weight >= NAMED))


def _in_order(units: list[BatchUnit]) -> list[BatchUnit]:
    serials = [_SERIAL.fullmatch(unit.unit) for unit in units]
    numbered = [(int(match["number"]), unit) for match, unit in zip(serials, units, strict=True) if match is not None]
    befores = {match["before"] for match in serials if match is not None}
    if len(numbered) != len(units) or len(befores) != 1 or len({number for number, _ in numbered}) != len(units):
        return units
    before, width = befores.pop(), min(len(unit.unit) for unit in units)
    ordered: list[BatchUnit] = []
    last: int | None = None
    for number, unit in sorted(numbered, key=lambda pair: pair[0]):
        if last is not None and number > last + 1:
            ordered.append(BatchUnit(_gap(before, width - len(before), last + 1, number - 1), missing="not proved"))
        ordered.append(unit)
        last = number
    return ordered


def _gap(before: str, digits: int, first: int, last: int) -> str:
    name = f"{before}{first:0{digits}d}"
    return name if first == last else f"{name} to {before}{last:0{digits}d}"
