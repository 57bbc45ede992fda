"""Power out against power in, of sweeps and of the three-port: the passivity of what was measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.analysis.readings import Complex, is_two_path
from harness.records import Sweep

_FLOOR = 1e-20


def power_db(sweep: Sweep, receiver: float | NDArray[np.float64] = 0.0) -> NDArray[np.float64]:
    """Return the most power that comes out of what was swept, in dB over the power in, shape (F,).

    All four traces: the square of the largest singular value. S11 and S21 only: abs(S11)² + abs(S21)²(1 − receiver²), the
    receiver of this reflection taking the rest. One port: abs(S11)².
    """
    if is_two_path(sweep):
        return matrix_power_db(sweep.matrix())
    through = np.abs(sweep.traces["s21"]) ** 2 * (1 - receiver**2) if "s21" in sweep.traces else 0.0
    return _db(np.abs(sweep.trace("s11")) ** 2 + through)


def matrix_power_db(s: Complex) -> NDArray[np.float64]:
    """Return the most power out over power in, in dB, for S of shape (F, n, n): shape (F,)."""
    return _db(np.asarray(np.linalg.svd(s, compute_uv=False)[:, 0] ** 2, dtype=np.float64))


def column_power_db(s: Complex, driven: int) -> NDArray[np.float64]:
    """Return the power out of all ports over the power into port ``driven``, in dB, for S of shape (F, n, n): shape (F,)."""
    return _db(np.sum(np.abs(s[:, :, driven]) ** 2, axis=1))


def _db(power: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(10 * np.log10(np.maximum(power, _FLOOR)), dtype=np.float64)
