"""What the statistics of a batch start from: one record a unit, in the order of building."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.records import Decision, Figure

NAMED = 0.8
"""Weight from which an explanation is more than a guess."""
UNCERTAIN_FAULTS = ("unexplained", "line mismatch")
"""What is called so has no cause in the build that would take a unit out of the statistics."""


@dataclass(frozen=True)
class BatchUnit:
    """One unit of a batch: its newest proof that counts, and its proofs before.

    ``figures``: value, low, high and decision of each. ``faults``: (name, weight). ``repeats``: the nominal coupling in dB of
    every proof of the unit in the same condition, oldest first. ``first``: the decision of its first proof that counts.
    ``missing``: why there is no proof that counts ("withdrawn", "not proved"), else None.
    """

    unit: str
    type: str | None = None
    proof: str | None = None
    when: str | None = None
    decision: Decision | None = None
    figures: Mapping[str, Figure] = field(default_factory=dict)
    faults: tuple[tuple[str, float], ...] = ()
    repeats: tuple[float, ...] = ()
    first: Decision | None = None
    missing: str | None = None

    def value(self, figure: str) -> float | None:
        """Return the value of a figure, or None where the unit has none."""
        found = self.figures.get(figure)
        return None if found is None else found.value

    @property
    def cause(self) -> str | None:
        """The named fault that takes the unit out of the distribution, or None."""
        return next((name for name, weight in self.faults if weight >= NAMED and name not in UNCERTAIN_FAULTS), None)

    @property
    def counted_coupling(self) -> float | None:
        """The nominal coupling in dB where it belongs to the distribution, else None."""
        return None if self.cause is not None else self.value("coupling_db")
