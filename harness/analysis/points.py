"""Linear interpolation on the grid of the sweeps, as weights: errors and bases go through it as S itself does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Values = TypeVar("Values", NDArray[np.float64], NDArray[np.complex128])


@dataclass(frozen=True)
class Points:
    """Places on a grid: between index ``left`` and the next, ``weight`` of the way. Shapes (P,)."""

    hz: Real
    left: NDArray[np.intp]
    weight: Real

    @classmethod
    def on(cls, frequency_hz: Real, at_hz: Real) -> Points:
        """Return the places of ``at_hz`` on the grid, held at its ends."""
        wanted = np.clip(at_hz, frequency_hz[0], frequency_hz[-1])
        right = np.clip(np.searchsorted(frequency_hz, wanted, side="right"), 1, frequency_hz.size - 1)
        left = right - 1
        return cls(np.asarray(at_hz), left, (wanted - frequency_hz[left]) / (frequency_hz[right] - frequency_hz[left]))

    def take(self, values: Values) -> Values:
        """Return ``values`` of shape (F, ...) at these places, shape (P, ...); exact on the grid."""
        weight = self.weight.reshape(-1, *[1] * (values.ndim - 1))
        taken: Values = values[self.left] * (1 - weight) + values[self.left + 1] * weight
        return taken
