"""What the builder meant: the type's circuit, and the cores that may be there instead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from harness.errors import UsageError
from harness.records import SamplerType
from harness.sampler import (
    Cable,
    Core,
    CoreMaterial,
    CoreSize,
    InductanceCore,
    Material,
    MaterialEntry,
    RelaxationMaterial,
    ResonanceMaterial,
    SamplerCircuit,
    ToroidCore,
    built_circuit,
    find_core,
)

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LINE_LENGTH = 0.09
"""Line through a unit, m, its connectors taken as line too: assumed, a small box. The fit moves it."""
Z0 = 50.0
UNKNOWN_AREA = 13e-6
"""Effective area in m² of a core of which the tables know only A_L: that of a half-inch core."""

HIGH = "high-permeability"
LIKE_43 = "43-like"
LOW = "low-permeability ferrite"
POWDER = "iron powder"
CLASSES = (HIGH, LIKE_43, LOW, POWDER)
"""Classes of core material, by initial permeability: from 1300, from 350, from 40, below. Borders chosen between trade grades."""


def class_of(permeability: float) -> str:
    """Return the class of a material by its initial permeability."""
    return HIGH if permeability >= 1300 else LIKE_43 if permeability >= 350 else LOW if permeability >= 40 else POWDER


# What stands for a class other than the intended one. Generic shapes, no grade is meant; the fit scales strength and corner.
_GENERIC: Mapping[str, Material] = {
    HIGH: RelaxationMaterial(name=HIGH, initial_permeability=2000.0, relaxation_frequency=1.8e6),
    LIKE_43: CoreMaterial(
        name=LIKE_43,
        initial_permeability=850.0,
        # the manufacturer's file of November 2020 for material 43, as in the table of materials
        table=((1e6, 851, 48), (3.5e6, 708, 418), (7e6, 394, 394), (14e6, 226, 293), (28e6, 127, 211)),
    ),
    LOW: ResonanceMaterial(name=LOW, initial_permeability=125.0, resonance_frequency=80e6, quality=0.8),
    POWDER: RelaxationMaterial(name=POWDER, initial_permeability=10.0, relaxation_frequency=500e6),
}


@dataclass(frozen=True)
class Intended:
    """What a unit of a type should be.

    ``circuit``: the healthy circuit. ``material``: the class of its core. ``air``: inductance in H of the empty core for one turn
    (A_L/μ_i). ``area``: the core's effective area, m². ``materials``: class → the material that stands for it.
    """

    circuit: SamplerCircuit
    material: str
    air: float
    area: float
    materials: Mapping[str, Material] = field(repr=False)

    def bend(self, material: str, corner: float) -> float:
        """Return the standard deviation of a bend at a corner (Hz): a part of the root of the permeability left there."""
        known = self.materials[material]
        left = abs(known.permeability(np.array([corner]))[0]) / known.initial_permeability
        size = {HIGH: VAGUE_BEND, POWDER: STIFF_BEND}.get(material, BEND)
        return size * float(np.sqrt(left))

    def vague(self, material: str) -> bool:
        """Tell whether a class holds materials of very different dispersion: those of high permeability bend inside the sweep."""
        return material == HIGH

    @property
    def turns(self) -> int:
        """The turns that should be on the core."""
        return round(self.circuit.turns)

    @property
    def internal(self) -> bool:
        """Whether a resistor should load the winding inside."""
        return self.circuit.internal_resistor is not None


def intended_of(
    type_: SamplerType, cores: Mapping[str, CoreSize], materials: Mapping[str, MaterialEntry], cables: Mapping[str, Cable]
) -> Intended:
    """Return what a unit of this type should be. UsageError for a core or cable not in the tables, or a second winding."""
    build = type_.build
    if build.second_turns is not None or build.second_core is not None:
        raise UsageError(f"type {type_.name}: a unit with a second winding is not diagnosed", hint="Look at its figures.")
    if build.line not in cables:
        raise UsageError(f"line {build.line!r} is not in the tables", hint=f"Lines: {', '.join(cables)}.")
    line = cables[build.line].line(LINE_LENGTH)
    core = find_core(build.core, cores, materials, stack=build.stack)
    circuit = built_circuit(build, core, line)
    return intended_from(circuit, build.core, materials)


def intended_from(circuit: SamplerCircuit, core_name: str, materials: Mapping[str, MaterialEntry]) -> Intended:
    """Return what a unit should be whose healthy circuit is known; ``core_name`` ends in a material of ``materials``."""
    name, core = core_name.split("-", 2)[-1], circuit.core
    if name not in materials:
        raise UsageError(f"core {core_name!r}: no material of the tables", hint=f"Materials: {', '.join(materials)}.")
    material = materials[name].material
    permeability = material.initial_permeability
    known = dict(_GENERIC)
    if permeability >= 40:
        known[class_of(permeability)] = material
    known = {name: causal(each) if isinstance(each, CoreMaterial) else each for name, each in known.items()}
    return Intended(circuit, class_of(permeability), _a_l(core) / permeability, core.area or UNKNOWN_AREA, known)


@dataclass(frozen=True)
class CellMaterial:
    """A material as a sum of cells (strength χ, frequency f0 in Hz, quality q or None).

    A cell without a quality is a relaxation, χ/(1 + jf/f0), one with it a resonance, χ/(1 − (f/f0)² + jf/(q·f0)).
    """

    cells: tuple[tuple[float, float, float | None], ...]

    @property
    def initial_permeability(self) -> float:
        """Return μ_i."""
        return 1 + sum(cell[0] for cell in self.cells)

    def permeability(self, frequency_hz: Floats) -> Complexes:
        """Return μ′ − jμ″ for each frequency in Hz."""
        total = np.ones(np.shape(frequency_hz), dtype=np.complex128)
        for strength, corner, quality in self.cells:
            total += strength * _cell(frequency_hz / corner, quality)
        return total


_CORNERS = tuple(float(each) for each in np.geomspace(0.5e6, 300e6, 18))
_QUALITIES = (None, 0.5, 0.65, 0.8, 1.0)


def _cell(ratio: Floats, quality: float | None) -> Complexes:
    return np.asarray(1 / (1 + 1j * ratio if quality is None else 1 - ratio**2 + 1j * ratio / quality), dtype=np.complex128)


@cache
def causal(material: CoreMaterial) -> CellMaterial:
    """Return a table of permeability as a sum of relaxations and damped resonances, all of positive strength.

    Straight lines between the rows of a table are nothing that a core can do; a fit would take their corners for a fault.
    Least squares of the relative error at the rows, non-negative (Lawson and Hanson, through scipy).
    """
    from scipy.optimize import nnls

    rows = np.array(material.table)
    wanted = rows[:, 1] - 1j * rows[:, 2]
    pairs = [(corner, quality) for corner in _CORNERS for quality in _QUALITIES]
    columns = np.stack([_cell(rows[:, 0] / corner, quality) for corner, quality in pairs], axis=1) / np.abs(wanted)[:, np.newaxis]
    target = (wanted - 1) / np.abs(wanted)
    strengths, _ = nnls(np.vstack([columns.real, columns.imag]), np.concatenate([target.real, target.imag]))
    cells = tuple((float(size), *pair) for size, pair in zip(strengths, pairs, strict=True) if size > 0)
    return CellMaterial(cells)


def _a_l(core: Core) -> float:
    if isinstance(core, ToroidCore):
        return core.a_l
    if isinstance(core, InductanceCore):
        return core.inductance
    raise UsageError("the core of the type has no A_L", hint="Give the type a core of the tables.")


BEND = 0.15
"""How far the dispersion of a built core is from its class's, as a part of its permeability. Chosen, no source."""
VAGUE_BEND = 0.5
"""The same for a class whose materials differ much."""
BEND_QUALITY = 0.8
STIFF_BEND = 0.04
"""The same for iron powder, which has next to no dispersion in this range."""
SHAPE_CORNERS = (0.7e6, 1.8e6, 5e6, 14e6, 45e6)
"""Hz: where the dispersion of a built core may differ from that of its class."""


@dataclass(frozen=True)
class ScaledCore:
    """A core with its admittance times a number."""

    core: Core
    times: float

    def admittance(self, frequency_hz: Floats) -> Complexes:
        """Return the one-turn admittance in S."""
        return self.core.admittance(frequency_hz) * self.times

    @property
    def area(self) -> float | None:
        """Return the effective area in m²."""
        return self.core.area


@lru_cache(maxsize=64)
def _relative(material: Material, corner: float, grid: bytes) -> Complexes:
    """Return a material's permeability over its initial one; a fit asks for the same again and again."""
    ratio = np.frombuffer(grid, dtype=np.float64) / corner
    return np.asarray(material.permeability(ratio) / material.initial_permeability, dtype=np.complex128)


@lru_cache(maxsize=8)
def _bends(grid: bytes) -> Complexes:
    """Return the shape of every bend, (corners, F)."""
    frequency_hz = np.frombuffer(grid, dtype=np.float64)
    return np.stack([_cell(frequency_hz / corner, BEND_QUALITY) for corner in SHAPE_CORNERS])


@dataclass(frozen=True)
class FittedCore:
    """A core as the fit sees it: Z_c = jω·A_L·(m(f/corner) + Σ d/(1 − (f/f_d)² + jf/(q·f_d))).

    m is the class's permeability over its initial one, f_d a corner of SHAPE_CORNERS, q BEND_QUALITY.

    Every term is analytic and causal, so that the fit can bend a material's shape but not break its physics.
    ``a_l`` in H; ``corner``: frequency scale of the material; ``bends``: one d for each of SHAPE_CORNERS.
    """

    material: Material
    a_l: float
    corner: float = 1.0
    bends: tuple[float, ...] = ()
    effective_area: float = UNKNOWN_AREA

    def admittance(self, frequency_hz: Floats) -> Complexes:
        """Return the one-turn admittance 1/Z_c in S."""
        grid = np.asarray(frequency_hz, dtype=np.float64).tobytes()
        relative = _relative(self.material, self.corner, grid)  # type: ignore[arg-type]  # materials are frozen dataclasses
        if self.bends:
            relative = relative + np.array(self.bends) @ _bends(grid)
        return np.asarray(1 / (2j * np.pi * frequency_hz * self.a_l * relative), dtype=np.complex128)

    @property
    def area(self) -> float | None:
        """Return the effective area in m²."""
        return self.effective_area
