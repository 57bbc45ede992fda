"""The model of a reading: one element of (I − SΓ)⁻¹S of a reciprocal three-port, and its complex derivatives.

The model is analytic in S and in Γ. With L = (I − SΓ)⁻¹ and B = LS: dB = L·dS·(I − ΓS)⁻¹, and since S is symmetric and Γ diagonal
(I − ΓS)⁻¹ is the transpose of L; dB = B·dΓ·B for a change of the terminations. (Matrix identities; checked against complex
finite differences.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.readings import Complex, Reading

ENTRIES = ((0, 0), (1, 1), (2, 2), (1, 0), (2, 0), (2, 1))
"""The six unknowns of a reciprocal three-port in the order of every vector here: S11, S22, S33, S21, S31, S32."""
ENTRY_NAMES = ("S11", "S22", "S33", "S21", "S31", "S32")
_ROWS = np.array([row for row, _ in ENTRIES])
_COLUMNS = np.array([column for _, column in ENTRIES])
_OFF_DIAGONAL = _ROWS != _COLUMNS


def matrix_of(x: Complex) -> Complex:
    """Return the symmetric matrices, shape (..., 3, 3), of vectors of the six unknowns, shape (..., 6)."""
    s = np.empty((*x.shape[:-1], 3, 3), dtype=np.complex128)
    s[..., _ROWS, _COLUMNS] = x
    s[..., _COLUMNS, _ROWS] = x
    return s


def vector_of(s: Complex) -> Complex:
    """Return the six unknowns, shape (..., 6), of matrices of shape (..., 3, 3); the lower triangle is taken."""
    return np.asarray(s[..., _ROWS, _COLUMNS], dtype=np.complex128)


@dataclass(frozen=True)
class Model:
    """The readings of one run as functions of the unknowns. ``gammas``: one (F, 3) array for each hook-up, shape (h, F, 3)."""

    gammas: Complex = field(repr=False)
    hookup: NDArray[np.intp]
    out: NDArray[np.intp]
    into: NDArray[np.intp]

    @classmethod
    def of(cls, readings: Sequence[Reading]) -> Model:
        """Return the model of these readings, in their order; readings of one sweep share their terminations."""
        names = list(dict.fromkeys(reading.sweep for reading in readings))
        gammas = {reading.sweep: reading.gamma for reading in readings}
        return cls(
            np.array([gammas[name] for name in names]),
            np.array([names.index(reading.sweep) for reading in readings]),
            np.array([reading.out for reading in readings]),
            np.array([reading.into for reading in readings]),
        )

    def predict(self, x: Complex) -> tuple[Complex, Complex]:
        """Return what would be read, shape (F, m), and its derivatives by the unknowns, shape (F, m, 6). ``x``: shape (F, 6)."""
        left, seen = self._solve(x)
        rows = left[self.hookup, :, self.out, :]
        columns = left[self.hookup, :, self.into, :]
        slopes: Complex = rows[..., _ROWS] * columns[..., _COLUMNS]
        swapped = rows[..., _COLUMNS] * columns[..., _ROWS]
        slopes[..., _OFF_DIAGONAL] += swapped[..., _OFF_DIAGONAL]
        values = seen[self.hookup, :, self.out, self.into]
        return np.moveaxis(values, 0, 1), np.moveaxis(slopes, 0, 1)

    def termination_slopes(self, x: Complex) -> Complex:
        """Return the derivatives of the readings by the reflections on ports 0, 1, 2, shape (F, m, 3)."""
        _, seen = self._solve(x)
        slopes = seen[self.hookup, :, self.out, :] * seen[self.hookup, :, :, self.into]
        return np.asarray(np.moveaxis(slopes, 0, 1), dtype=np.complex128)

    def inward(self, x: Complex) -> Complex:
        """Return the reflection that the driving port sees in each reading, shape (F, m)."""
        _, seen = self._solve(x)
        return np.asarray(np.moveaxis(seen[self.hookup, :, self.into, self.into], 0, 1), dtype=np.complex128)

    def _solve(self, x: Complex) -> tuple[Complex, Complex]:
        s = matrix_of(x)
        left = np.asarray(np.linalg.inv(np.eye(3) - s * self.gammas[..., np.newaxis, :]), dtype=np.complex128)
        seen: Complex = left @ s
        return left, seen
