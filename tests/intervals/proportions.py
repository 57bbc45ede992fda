"""Shares with their own confidence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Share:
    """``hits`` of ``total``."""

    hits: int
    total: int

    @classmethod
    def of(cls, hits: Iterable[bool]) -> Share:
        """Return the share of True."""
        found = list(hits)
        return cls(sum(found), len(found))

    @property
    def value(self) -> float:
        """The share itself; not a number where there is nothing."""
        return self.hits / self.total if self.total else float("nan")

    @property
    def confidence(self) -> tuple[float, float]:
        """The interval of 95 %."""
        return self.interval(CONFIDENCE)

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the Clopper–Pearson interval of this confidence: two-sided, exact (by scipy.stats.binomtest)."""
        from scipy.stats import binomtest

        if not self.total:
            return 0.0, 1.0
        found = binomtest(self.hits, self.total).proportion_ci(confidence, method="exact")
        return float(found.low), float(found.high)

    def __str__(self) -> str:
        low, high = self.confidence
        return f"{self.value:.1%} ({low:.1%} to {high:.1%})"
