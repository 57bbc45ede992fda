"""Figures: results with unit, interval, tolerance and decision."""

from __future__ import annotations

from typing import Literal

from harness.records.fields import FileModel

Decision = Literal["conforms", "does not conform", "undecided"]


class Interval(FileModel):
    """A value with its 95 % coverage interval; an end that is None is unbounded or not claimed."""

    value: float
    low: float | None = None
    high: float | None = None


class Figure(FileModel):
    """One result. ``tolerance`` is [least allowed, most allowed], None where that side is free."""

    value: float
    low: float | None = None
    high: float | None = None
    tolerance: tuple[float | None, float | None] = (None, None)
    decision: Decision | None = None
    probability: float | None = None


class CouplingAt(FileModel):
    """Coupling at one frequency, in dB, with its interval."""

    hz: float
    db: float
    low: float | None = None
    high: float | None = None


class FaultEntry(FileModel):
    """One explanation of what is wrong with a unit."""

    fault: str
    weight: float
    says: str
    try_: str
    needs: str | None = None
    turns: int | None = None
    where: str | None = None
