"""Toroid cores, seen from one turn: geometry by IEC 60205 and the one-turn admittance that the circuit needs.

Every core answers ``admittance(frequency_hz)``: 1/Z_c in S for one turn, where Z_c = jω·(A_L/μ_i)·(μ′ − jμ″). Admittance and
not impedance, so that an ideal core (zero) is an ordinary value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from harness.errors import UsageError
from harness.sampler.material import Material

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MU_0 = 4e-7 * math.pi
"""Permeability of free space, H/m, in the value that A_L formulas of IEC 60205 use."""


class Core(Protocol):
    """What the circuit asks of a core."""

    def admittance(self, frequency_hz: Floats) -> Complexes:
        """Return the one-turn admittance in S, one value for each frequency in Hz."""

    @property
    def area(self) -> float | None:
        """Return the effective area in m², None where it is not known (such a core cannot be given a gap)."""


def _above_zero(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{what}: {value!r} is not above 0", hint="Give a finite number in SI units.")


@dataclass(frozen=True)
class IdealCore:
    """A core of infinite permeability: no magnetising current at any frequency."""

    def admittance(self, frequency_hz: Floats) -> Complexes:
        """Return zeros, in S."""
        return np.zeros(np.shape(frequency_hz), dtype=np.complex128)

    @property
    def area(self) -> float | None:
        """Return None: an ideal core has no size."""
        return None


@dataclass(frozen=True, kw_only=True)
class InductanceCore:
    """A lossless core of constant inductance for one turn squared (A_L, H); ``effective_area`` in m² if it is known."""

    inductance: float
    effective_area: float | None = None

    def __post_init__(self) -> None:
        _above_zero("A_L (H)", self.inductance)

    def admittance(self, frequency_hz: Floats) -> Complexes:
        """Return 1/(jω·A_L) in S."""
        return np.asarray(1.0 / (2j * np.pi * frequency_hz * self.inductance), dtype=np.complex128)

    @property
    def area(self) -> float | None:
        """Return the effective area in m² or None."""
        return self.effective_area


@dataclass(frozen=True, kw_only=True)
class LadderCore:
    """A core as a chain of parallel R-L cells (Ω, H) in series, all seen from one turn: Z_c = Σ jωL·R/(R + jωL).

    One cell is the same as a relaxation (Debye) permeability of corner R/(2πL); a circuit solver can build it from parts.
    """

    cells: tuple[tuple[float, float], ...]
    effective_area: float | None = None

    def __post_init__(self) -> None:
        if not self.cells:
            raise UsageError("ladder core: no cells", hint="Give at least one pair of resistance (Ω) and inductance (H).")
        for resistance, inductance in self.cells:
            _above_zero("ladder resistance (Ω)", resistance)
            _above_zero("ladder inductance (H)", inductance)

    def admittance(self, frequency_hz: Floats) -> Complexes:
        """Return 1/Z_c in S."""
        jw = 2j * np.pi * frequency_hz
        impedance = sum((jw * l_cell * r_cell / (r_cell + jw * l_cell) for r_cell, l_cell in self.cells), 0.0 * jw)
        return np.asarray(1.0 / impedance, dtype=np.complex128)

    @property
    def area(self) -> float | None:
        """Return the effective area in m² or None."""
        return self.effective_area


@dataclass(frozen=True, kw_only=True)
class CoreGeometry:
    """A toroid of rectangular section: outer and inner diameter and height, in m; formulas of IEC 60205."""

    outer_diameter: float
    inner_diameter: float
    height: float

    def __post_init__(self) -> None:
        _above_zero("core height (m)", self.height)
        _above_zero("inner diameter of the core (m)", self.inner_diameter)
        if not (math.isfinite(self.outer_diameter) and self.outer_diameter > self.inner_diameter):
            raise UsageError(
                f"core: the outer diameter {self.outer_diameter!r} m is not above the inner one, {self.inner_diameter!r} m",
                hint="Give OD, ID and height in metres.",
            )

    @property
    def core_constant_1(self) -> float:
        """Return C1 = Σ l/A in 1/m (IEC 60205): 2π/(h·ln(r2/r1))."""
        return 2 * math.pi / (self.height * math.log(self.outer_diameter / self.inner_diameter))

    @property
    def core_constant_2(self) -> float:
        """Return C2 = Σ l/A² in 1/m³ (IEC 60205): 2π(1/r1 − 1/r2)/(h²·ln³(r2/r1))."""
        reciprocal = 2 / self.inner_diameter - 2 / self.outer_diameter
        return 2 * math.pi * reciprocal / (self.height**2 * math.log(self.outer_diameter / self.inner_diameter) ** 3)

    @property
    def effective_length(self) -> float:
        """Return l_e = C1²/C2 in m."""
        return self.core_constant_1**2 / self.core_constant_2

    @property
    def effective_area(self) -> float:
        """Return A_e = C1/C2 in m²."""
        return self.core_constant_1 / self.core_constant_2

    def inductance_factor(self, relative_permeability: float) -> float:
        """Return A_L in H for one turn squared: μ0·μ/C1."""
        return MU_0 * relative_permeability / self.core_constant_1

    def stacked(self, count: int) -> CoreGeometry:
        """Return ``count`` such cores one on the other, taken as one of that height."""
        if count < 1:
            raise UsageError(f"stack: {count} cores", hint="A stack has at least one core.")
        return CoreGeometry(outer_diameter=self.outer_diameter, inner_diameter=self.inner_diameter, height=self.height * count)


@dataclass(frozen=True, kw_only=True)
class ToroidCore:
    """A toroid of a material: Z_c = jω·(A_L/μ_i)·(μ′ − jμ″).

    A_L comes from geometry and the material's initial permeability unless ``published_a_l`` (H, for the whole stack) is given.
    """

    geometry: CoreGeometry
    material: Material
    published_a_l: float | None = None

    def __post_init__(self) -> None:
        if self.published_a_l is not None:
            _above_zero("A_L (H)", self.published_a_l)

    @property
    def a_l(self) -> float:
        """Return A_L in H for one turn squared, at low frequency."""
        if self.published_a_l is not None:
            return self.published_a_l
        return self.geometry.inductance_factor(self.material.initial_permeability)

    def impedance(self, frequency_hz: Floats) -> Complexes:
        """Return the one-turn impedance Z_c in Ω."""
        frequencies = np.asarray(frequency_hz, dtype=np.float64)
        air = self.a_l / self.material.initial_permeability
        return np.asarray(2j * np.pi * frequencies * air * self.material.permeability(frequencies), dtype=np.complex128)

    def admittance(self, frequency_hz: Floats) -> Complexes:
        """Return 1/Z_c in S."""
        return np.asarray(1.0 / self.impedance(frequency_hz), dtype=np.complex128)

    @property
    def area(self) -> float | None:
        """Return the effective area in m²."""
        return self.geometry.effective_area


def gap_admittance(frequency_hz: Floats, gap: float, area: float) -> Complexes:
    """Return what an air gap of length ``gap`` m adds to the one-turn admittance: g/(jω·μ0·A_e), in S.

    It is the series reluctance of core and gap, without fringing: μ_gapped = μ/(1 + μ·g/l_e).
    """
    return np.asarray(gap / (2j * np.pi * frequency_hz * MU_0 * area), dtype=np.complex128)
