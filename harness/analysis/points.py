"""Interpolation on the grid of the sweeps, as weights: errors and bases go through it as S itself does."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Values = TypeVar("Values", NDArray[np.float64], NDArray[np.complex128])
CUBIC, STRAIGHT = 4, 2


@dataclass(frozen=True)
class Points:
    """Places on a grid: ``weight`` times the values at ``index``, added up. Shapes (P,), and (P, n) of both others."""

    hz: Real = field(repr=False)
    index: NDArray[np.intp] = field(repr=False)
    weight: Real = field(repr=False)

    @classmethod
    def on(cls, frequency_hz: Real, at_hz: Real, nodes: int = CUBIC) -> Points:
        """Return the places of ``at_hz`` on the grid, held at its ends.

        By the polynomial in log frequency through the ``nodes`` nearest points, half of them on each side where there are
        (Lagrange's formula): CUBIC, or STRAIGHT lines. All points of a grid that has fewer.
        """
        wanted = np.clip(at_hz, frequency_hz[0], frequency_hz[-1])
        count = min(nodes, frequency_hz.size)
        right = np.clip(np.searchsorted(frequency_hz, wanted, side="right"), 1, frequency_hz.size - 1)
        first = np.clip(right - count // 2, 0, frequency_hz.size - count)
        index = first[:, np.newaxis] + np.arange(count)
        at, place = np.log(frequency_hz)[index], np.log(wanted)
        weight = np.ones(index.shape)
        for one in range(count):
            for other in range(count):
                if other != one:
                    weight[:, one] *= (place - at[:, other]) / (at[:, one] - at[:, other])
        return cls(np.asarray(at_hz), index, weight)

    def take(self, values: Values) -> Values:
        """Return ``values`` of shape (F, ...) at these places, shape (P, ...); exact on the grid."""
        shape = (-1, *[1] * (values.ndim - 1))
        taken: Values = values[self.index[:, 0]] * self.weight[:, 0].reshape(shape)
        for node in range(1, self.index.shape[1]):
            taken = taken + values[self.index[:, node]] * self.weight[:, node].reshape(shape)
        return taken
