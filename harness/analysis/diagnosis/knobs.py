"""Knobs: the numbers that a fit may turn, each with the range that a build leaves it.

Inside the fit every knob is a standard normal number z, so that its prior is z² whatever the quantity: a tolerance about a
nominal value is nominal·exp(spread·z), a range of which nothing more is known is low·(high/low)^Φ(z), which is even over its
decades.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol


class Knob(Protocol):
    """A number the fit may turn."""

    @property
    def name(self) -> str:
        """What it is called in the values of a fit."""

    @property
    def start(self) -> float:
        """The z to start from."""

    def value(self, z: float) -> float:
        """Return the physical value."""


@dataclass(frozen=True)
class Around:
    """A positive quantity known within a tolerance: ``spread`` is the standard deviation of its logarithm."""

    name: str
    nominal: float
    spread: float
    start: float = 0.0

    def value(self, z: float) -> float:
        """Return nominal·exp(spread·z)."""
        return self.nominal * math.exp(self.spread * min(max(z, -8.0), 8.0))


@dataclass(frozen=True)
class Offset:
    """A quantity of either sign about a value."""

    name: str
    nominal: float
    spread: float
    start: float = 0.0

    def value(self, z: float) -> float:
        """Return nominal + spread·z."""
        return self.nominal + self.spread * min(max(z, -8.0), 8.0)


@dataclass(frozen=True)
class Within:
    """A positive quantity anywhere in a range, evenly over its decades."""

    name: str
    low: float
    high: float
    start: float = 0.0

    def value(self, z: float) -> float:
        """Return low·(high/low)^Φ(z)."""
        return float(self.low * (self.high / self.low) ** (0.5 * math.erfc(-z / math.sqrt(2))))
