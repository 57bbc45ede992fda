"""Figures: results with unit, interval, tolerance and decision."""

from __future__ import annotations

import math
from typing import Literal

from harness.records.fields import FileModel
from harness.records.residuals import Residuals

Decision = Literal["conforms", "does not conform", "undecided"]


def decimals_of(uncertainty: float, most: int = 4) -> int:
    """Return the decimals of a value with this uncertainty, so that the uncertainty has two digits (GUM 7.2.6); 0 to ``most``."""
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return most
    return min(most, max(0, 1 - math.floor(math.log10(uncertainty))))


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
    """That the true value meets the tolerance (JCGM 106, conformance probability): the share of the draws that do.

    Below one half, of an extreme over the band, the larger of that share and of how likely a unit at its tolerance would be read
    as bad as this one (a p-value; harness.analysis.refusal), at most one half: draws alone would refuse good units.
    """
    decides: str | None = None
    """What would decide an undecided figure."""

    @property
    def half_width(self) -> float | None:
        """Half of a two-sided interval, or the distance from the value to the one bound; None where there is neither."""
        if self.low is not None and self.high is not None:
            return (self.high - self.low) / 2
        if self.low is None and self.high is None:
            return None
        return self.value - self.low if self.low is not None else (self.high or 0.0) - self.value


class BudgetLine(FileModel):
    """One line of an uncertainty budget: the input, its size with unit in words, its share of the figure's variance."""

    input: str
    size: str
    share: float


class CouplingTable(FileModel):
    """Coupling in dB over the sweep with its 95 % interval at each frequency (Hz), thinned to at most 201 points."""

    hz: tuple[float, ...]
    db: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


class UncertaintyNote(FileModel):
    """How the intervals were made: where the sizes come from, the sizes, the seed and the number of draws."""

    says: str
    residuals: Residuals
    seed: int
    draws: int


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
