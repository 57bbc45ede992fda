"""Core materials: relative permeability μ = μ′ − jμ″ over frequency, from a table or from a parametric model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from harness.errors import UsageError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


class Material(Protocol):
    """What a core asks of its material."""

    @property
    def initial_permeability(self) -> float:
        """Return μ_i, the relative permeability at low frequency."""

    def permeability(self, frequency_hz: Floats) -> Complexes:
        """Return μ′ − jμ″ for each frequency in Hz."""


def _check_initial(value: float) -> None:
    if not (np.isfinite(value) and value >= 1):
        raise UsageError(f"initial permeability: {value!r} is not at least 1", hint="Give the relative value, 800 for example.")


@dataclass(frozen=True, kw_only=True)
class CoreMaterial:
    """A table of complex permeability: rows of (frequency Hz, μ′, μ″), frequencies rising, all values above zero.

    Between rows both parts are straight lines in log-log. Below the first row μ′ is held and μ″ falls in proportion to
    frequency, as any relaxation does far below its corner. Above the last row both parts go on with the slope of the last two
    rows. ``outside`` says which frequencies the table does not cover. Raises UsageError for a table that breaks these rules.
    """

    name: str
    initial_permeability: float
    table: tuple[tuple[float, float, float], ...]
    source: str = ""

    def __post_init__(self) -> None:
        _check_initial(self.initial_permeability)
        rows = np.array(self.table, dtype=np.float64)
        if rows.ndim != 2 or rows.shape[0] < 2 or rows.shape[1] != 3:
            raise UsageError(f"material {self.name}: a table needs at least two rows of frequency, μ′, μ″")
        if not (np.isfinite(rows).all() and (rows > 0).all() and (np.diff(rows[:, 0]) > 0).all()):
            raise UsageError(f"material {self.name}: table values must be above 0 and the frequencies rising")

    @property
    def covered(self) -> tuple[float, float]:
        """Return the lowest and highest frequency of the table, in Hz."""
        return self.table[0][0], self.table[-1][0]

    def outside(self, frequency_hz: Floats) -> NDArray[np.bool_]:
        """Return True for each frequency that the table does not cover."""
        low, high = self.covered
        return np.asarray((frequency_hz < low) | (frequency_hz > high))

    def permeability(self, frequency_hz: Floats) -> Complexes:
        """Return μ′ − jμ″ for each frequency in Hz."""
        rows = np.log(np.array(self.table, dtype=np.float64))
        axis = rows[:, 0]
        log_f = np.log(np.asarray(frequency_hz, dtype=np.float64))
        beyond = np.maximum(log_f - axis[-1], 0.0)
        below = np.maximum(axis[0] - log_f, 0.0)
        last = (rows[-1, 1:] - rows[-2, 1:]) / (axis[-1] - axis[-2])
        real = np.exp(np.interp(log_f, axis, rows[:, 1]) + last[0] * beyond)
        loss = np.exp(np.interp(log_f, axis, rows[:, 2]) + last[1] * beyond - below)
        return np.asarray(real - 1j * loss, dtype=np.complex128)


@dataclass(frozen=True, kw_only=True)
class ConstantMaterial:
    """A lossless material of constant permeability: for one whose dispersion is not known, or lies above the band."""

    name: str
    initial_permeability: float

    def __post_init__(self) -> None:
        _check_initial(self.initial_permeability)

    def permeability(self, frequency_hz: Floats) -> Complexes:
        """Return μ_i for each frequency in Hz."""
        return np.full(np.shape(frequency_hz), self.initial_permeability, dtype=np.complex128)


@dataclass(frozen=True, kw_only=True)
class RelaxationMaterial:
    """A generic material with one relaxation (Debye): μ = 1 + (μ_i − 1)/(1 + jf/f_r). A stand-in, not a catalogue grade."""

    name: str
    initial_permeability: float
    relaxation_frequency: float

    def __post_init__(self) -> None:
        _check_initial(self.initial_permeability)
        if not (np.isfinite(self.relaxation_frequency) and self.relaxation_frequency > 0):
            raise UsageError(f"material {self.name}: the relaxation frequency is not above 0 Hz")

    def permeability(self, frequency_hz: Floats) -> Complexes:
        """Return μ′ − jμ″ for each frequency in Hz."""
        ratio = np.asarray(frequency_hz, dtype=np.float64) / self.relaxation_frequency
        return np.asarray(1 + (self.initial_permeability - 1) / (1 + 1j * ratio), dtype=np.complex128)


@dataclass(frozen=True, kw_only=True)
class ResonanceMaterial:
    """A generic material with one damped resonance (Lorentz): μ = 1 + (μ_i − 1)/(1 − (f/f_0)² + jf/(Q·f_0)).

    A stand-in, not a catalogue grade.
    """

    name: str
    initial_permeability: float
    resonance_frequency: float
    quality: float = 1.0

    def __post_init__(self) -> None:
        _check_initial(self.initial_permeability)
        values = (self.resonance_frequency, self.quality)
        if not all(np.isfinite(value) and value > 0 for value in values):
            raise UsageError(f"material {self.name}: resonance frequency (Hz) and quality must be above 0")

    def permeability(self, frequency_hz: Floats) -> Complexes:
        """Return μ′ − jμ″ for each frequency in Hz."""
        ratio = np.asarray(frequency_hz, dtype=np.float64) / self.resonance_frequency
        shape = 1 / (1 - ratio**2 + 1j * ratio / self.quality)
        return np.asarray(1 + (self.initial_permeability - 1) * shape, dtype=np.complex128)
