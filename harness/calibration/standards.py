"""The standards of a calibration as their models say they respond. Z0 is 50 Ω."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.records.bench_file import StandardsEntry

Z0 = 50.0
Reflection = Literal["short", "open", "load"]


def ideal_reflection(kind: Reflection, standards: StandardsEntry, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return the reflection of a short, open or load, complex, shape (F,).

    Open: capacitance C behind an offset line, Γ = (1 − jωC·Z0)/(1 + jωC·Z0)·e^(−2jωτ). Short: inductance L behind an offset
    line. Load: R + jωL. Γ = (Z − Z0)/(Z + Z0); τ is the one-way delay. Textbook one-port formulas.
    """
    omega = 2 * np.pi * frequency_hz
    if kind == "open":
        y = 1j * omega * standards.open.capacitance * Z0
        return np.asarray((1 - y) / (1 + y) * np.exp(-2j * omega * standards.open.delay), dtype=np.complex128)
    if kind == "short":
        z = 1j * omega * standards.short.inductance / Z0
        return np.asarray((z - 1) / (z + 1) * np.exp(-2j * omega * standards.short.delay), dtype=np.complex128)
    z = (standards.load.resistance + 1j * omega * standards.load.inductance) / Z0
    return np.asarray((z - 1) / (z + 1), dtype=np.complex128)


def ideal_thru(standards: StandardsEntry, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return the transmission of the thru, complex, shape (F,): its loss in dB (the same at all frequencies) and its delay."""
    omega = 2 * np.pi * frequency_hz
    return np.asarray(10 ** (-standards.thru.loss / 20) * np.exp(-1j * omega * standards.thru.delay), dtype=np.complex128)
