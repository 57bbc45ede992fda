"""Adapters that stay on the unit's connectors for the whole run, removed from the assembled three-port by calculation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.model import ENTRIES, matrix_of, vector_of
from harness.analysis.readings import Complex
from harness.errors import DataError
from harness.records.hookup import UNIT_PORTS


@dataclass(frozen=True)
class DelayAndLoss:
    """A reflectionless adapter: one-way delay in seconds, loss in dB, the same at all frequencies."""

    delay_s: float
    loss_db: float = 0.0

    def matrix(self, frequency_hz: NDArray[np.float64]) -> Complex:
        """Return its S-matrix, shape (F, 2, 2)."""
        through = 10 ** (-self.loss_db / 20) * np.exp(-2j * np.pi * frequency_hz * self.delay_s)
        s = np.zeros((frequency_hz.size, 2, 2), dtype=np.complex128)
        s[:, 0, 1] = s[:, 1, 0] = through
        return s


AdapterModel = DelayAndLoss | Complex
"""Delay and loss, or the S-matrix on the grid of the sweeps, shape (F, 2, 2), port 1 toward the cable, port 2 on the unit."""


def remove_adapters(s: Complex, adapters: Mapping[str, AdapterModel], frequency_hz: NDArray[np.float64]) -> Complex:
    """Return the three-port without its adapters, shape (F, 3, 3).

    ``adapters``: unit connector ("line in", "line out", "sample") → what sits there. With the adapters' elements as diagonal
    matrices A.. the measured matrix is A11 + A12·S·(I − A22·S)⁻¹·A21; this is solved for S (cascade of two-ports; checked
    against scikit-rf). Raises DataError for an unknown connector, a wrong grid, or an adapter that lets nothing through.
    """
    if not adapters:
        return s
    elements = _elements(adapters, frequency_hz)
    outer, through_out, through_in, inner = elements[:, :, 0, 0], elements[:, :, 0, 1], elements[:, :, 1, 0], elements[:, :, 1, 1]
    reflected = np.eye(3) * outer[:, np.newaxis, :]
    bare = (s - reflected) / (through_out[:, :, np.newaxis] * through_in[:, np.newaxis, :])
    return np.asarray(np.linalg.solve(np.eye(3) + bare * inner[:, np.newaxis, :], bare), dtype=np.complex128)


def removal_slopes(bare: Complex, adapters: Mapping[str, AdapterModel], frequency_hz: NDArray[np.float64]) -> Complex:
    """Return the derivatives of the six unknowns of the bare unit by those with adapters, shape (F, 6, 6).

    With dB = A12⁻¹·dS·A21⁻¹ and the bare S: dS_bare = (I − S·A22)·dB·(I − A22·S), from S = (I + B·A22)⁻¹·B.
    """
    if not adapters:
        return np.broadcast_to(np.eye(len(ENTRIES), dtype=np.complex128), (len(bare), len(ENTRIES), len(ENTRIES)))
    elements = _elements(adapters, frequency_hz)
    outward, inward, inner = elements[:, :, 0, 1], elements[:, :, 1, 0], elements[:, :, 1, 1]
    left = (np.eye(3) - bare * inner[:, np.newaxis, :]) / outward[:, np.newaxis, :]
    right = (np.eye(3) - inner[:, :, np.newaxis] * bare) / inward[:, :, np.newaxis]
    columns = [vector_of(left @ matrix_of(unit) @ right) for unit in np.eye(len(ENTRIES), dtype=np.complex128)]
    return np.stack(columns, axis=-1)


def _elements(adapters: Mapping[str, AdapterModel], frequency_hz: NDArray[np.float64]) -> Complex:
    """Return the adapters of the three ports, shape (F, 3, 2, 2); nothing is an adapter without delay and loss."""
    unknown = sorted(set(adapters) - set(UNIT_PORTS))
    if unknown:
        raise DataError(f"an adapter on {unknown[0]!r}: a unit has {', '.join(UNIT_PORTS)}", hint="Name one of these connectors.")
    found = []
    for port in UNIT_PORTS:
        adapter = adapters.get(port, DelayAndLoss(0.0))
        matrix = adapter.matrix(frequency_hz) if isinstance(adapter, DelayAndLoss) else adapter
        if matrix.shape != (frequency_hz.size, 2, 2):
            raise DataError(
                f"the adapter on {port} has the shape {matrix.shape}; two ports at {frequency_hz.size} frequencies are needed",
                hint="Bring the adapter's file to the grid of the sweeps.",
            )
        if np.any(np.abs(matrix[:, 0, 1] * matrix[:, 1, 0]) < 1e-6):
            raise DataError(
                f"the adapter on {port} lets less than −60 dB through, both ways together",
                hint="Look at the adapter's file: it is no through connection.",
            )
        found.append(matrix)
    return np.stack(found, axis=1)
