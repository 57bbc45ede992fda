"""The document: every table with the seed, date, numbers and version it came from."""

from __future__ import annotations

from collections.abc import Sequence

from harness import __version__
from tests.intervals import limits
from tests.intervals.limits import FULL, Limits, Table
from tests.intervals.running import Found, Plan


def tables_of(found: Found, asked: Limits = FULL) -> list[Table]:
    """Return all tables."""
    return [
        limits.coverage(found.outcomes, asked),
        limits.bounds(found.outcomes, asked),
        limits.widths(found.reference, asked),
        limits.decisions(found.outcomes, asked),
        limits.each_alone(found.alone, asked),
        limits.alarms(found.outcomes),
    ]


def document(tables: Sequence[Table], plan: Plan, date: str) -> str:
    """Return the document as Markdown."""
    said = (
        "# How often the stated uncertainty holds the truth\n\n"
        f"Made by `python -m tests.intervals --write`, {date}, tapproof {__version__}: seed {plan.seed}, "
        f"{plan.benches} benches in each of 12 strata, {plan.reference} of the reference kind, {plan.alone} for each input alone "
        f"({plan.draws} draws of the analysis for each). {plan.pairs} pairs of proofs without drift, and others with.\n\n"
        "Every bench has error boxes, standards, loads, cables, connectors, drift, noise and a unit of its own, drawn in "
        "`tests/intervals/population.py`; 95 % of benches keep to what their kit class (plain, good, lab, in turn) states. The "
        "sweeps go through the sequence's hook-ups, raw, through calibration and correction, to the figures."
    )
    return "\n\n".join([said, *(table.markdown() for table in tables)])
