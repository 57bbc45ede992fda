"""What a unit of the type may be: the nominal circuit with what a build leaves open, and the same built wrong.

Inside, every open quantity is a standard normal number z. The spreads are build tolerances: A_L ± 25 % (catalogues), the others
chosen, no source. The winding's sense is not told by a type: either sign of the coupling is a healthy unit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.analysis.adapters import AdapterModel, DelayAndLoss
from harness.analysis.guard.reading import Z0, attach, line, series_and_shunt
from harness.analysis.readings import Complex
from harness.errors import UsageError
from harness.records import SamplerType
from harness.records.hookup import UNIT_PORTS
from harness.sampler import (
    Cable,
    CoreSize,
    IdealCore,
    InductanceCore,
    LineSection,
    MaterialEntry,
    RelaxationMaterial,
    SamplerCircuit,
    ToroidCore,
    built_circuit,
    find_core,
    ideal_circuit,
    three_port,
)

Floats = NDArray[np.float64]
Adapters = Mapping[str, AdapterModel]
STEP = 1e-3
LINE_LENGTH = 0.06
"""m of line through a unit, its connectors taken as line too; assumed, a small box."""

POWDER = 40e-9
"""A_L in H of a core of another kind, without loss: usual for powder, no source. A bad build's core is open by a factor."""
LOSSY = RelaxationMaterial(name="lossy", initial_permeability=2000.0, relaxation_frequency=1.8e6)
"""Another kind of ferrite; a generic shape, no grade is meant."""


@dataclass(frozen=True)
class Tables:
    """Cores, materials and cables, as harness.sampler parses them."""

    cores: Mapping[str, CoreSize]
    materials: Mapping[str, MaterialEntry]
    cables: Mapping[str, Cable]


Change = Callable[[SamplerCircuit, Mapping[str, float]], SamplerCircuit]

# field → (factor on the nominal value, spread of its logarithm)
_SCALED: Mapping[str, tuple[float, float]] = {
    "core_factor": (1.0, 0.2),
    "winding_leakage": (1.0, 0.3),
    "winding_capacitance": (0.8, 0.4),
    "winding_resistance": (1.1, 0.2),
    "primary_leakage": (1.3, 0.5),
    "stray_capacitance": (1.6, 0.7),
    "sample_capacitance": (0.9, 0.5),
    "braid_winding_capacitance": (0.8, 0.4),
    "braid_loop_inductance": (1.1, 0.3),
}
_OTHERS = ("impedance in", "impedance out", "length in", "length out", "resistor", "pad", "sample inductance", "sample delay")
HEALTHY = (*_SCALED, *_OTHERS)
ROUGH = ("turns", "rough core", "joint in", "joint out", "winding joint", "rough in", "rough out", "rough resistor")
"""What a bad build leaves open besides."""


@dataclass(frozen=True)
class UnitModel:
    """A unit with open quantities. ``says``: what is wrong with it, "" for a healthy one. ``knobs``: names, in the order of z."""

    says: str
    circuit: SamplerCircuit = field(repr=False)
    knobs: tuple[str, ...] = field(repr=False)
    adapters: Adapters = field(repr=False)

    def circuit_at(self, z: Floats) -> SamplerCircuit:
        """Return the circuit for z, (knobs,)."""
        at = {name: min(max(float(value), -6.0), 6.0) for name, value in zip(self.knobs, z, strict=True)}
        return _rough(_healthy(self.circuit, at), at)

    def matrix(self, frequency_hz: Floats, z: Floats) -> Complex:
        """Return the three-port at the adapters' cable side, (F, 3, 3)."""
        at = dict(zip(self.knobs, z, strict=True))
        s = np.asarray(three_port(self.circuit_at(z), frequency_hz), dtype=np.complex128)
        reactance = 2j * np.pi * frequency_hz * 2.5e-9 * (1 + 0.9 * at["sample inductance"])
        s = attach(s, 2, series_and_shunt(reactance, np.zeros_like(reactance)))
        s = attach(s, 2, line(frequency_hz, np.array(20e-12 * (1 + 0.9 * at["sample delay"])), np.array(1.0)))
        for port, name in enumerate(UNIT_PORTS):
            adapter = self.adapters.get(name)
            if adapter is not None:
                s = attach(s, port, adapter.matrix(frequency_hz) if isinstance(adapter, DelayAndLoss) else adapter)
        return s

    def matrices(self, frequency_hz: Floats, z: Floats) -> Complex:
        """Return the three-port at z, then with each knob moved by STEP, (knobs + 1, F, 3, 3)."""
        moved = np.vstack([z, z + STEP * np.eye(z.size)])
        return np.stack([self.matrix(frequency_hz, each) for each in moved])

    def at(self, index: NDArray[np.intp]) -> UnitModel:
        """Return the same with the adapters at some of their frequencies only."""
        short = {
            name: adapter if isinstance(adapter, DelayAndLoss) else adapter[index] for name, adapter in self.adapters.items()
        }
        return replace(self, adapters=short)


def _healthy(circuit: SamplerCircuit, at: Mapping[str, float]) -> SamplerCircuit:
    scaled = {
        name: getattr(circuit, name) * factor * float(np.exp(spread * at[name])) for name, (factor, spread) in _SCALED.items()
    }
    resistor, pad = circuit.internal_resistor, circuit.pad
    return replace(
        circuit,
        **scaled,
        line_before=_section(circuit, "in", at),
        line_after=_section(circuit, "out", at),
        internal_resistor=None if resistor is None else resistor * float(np.exp(0.01 * at["resistor"])),
        pad=None if pad is None else replace(pad, first=pad.first * float(np.exp(0.01 * at["pad"]))),
    )


def _section(circuit: SamplerCircuit, side: str, at: Mapping[str, float]) -> LineSection:
    nominal = circuit.line_before if side == "in" else circuit.line_after
    impedance = nominal.impedance * 0.98 * float(np.exp(0.04 * at[f"impedance {side}"] + 0.3 * at.get(f"rough {side}", 0.0)))
    return replace(nominal, impedance=impedance, length=nominal.length * float(np.exp(0.3 * at[f"length {side}"])))


def _rough(circuit: SamplerCircuit, at: Mapping[str, float]) -> SamplerCircuit:
    if "turns" not in at:
        return circuit
    factor = float(np.exp(0.4 * at["turns"]))
    resistor = circuit.internal_resistor
    return replace(
        circuit,
        turns=max(circuit.turns * factor, circuit.shorted_turns + 0.5),
        winding_leakage=circuit.winding_leakage * factor**2,
        winding_capacitance=circuit.winding_capacitance * factor,
        core_factor=circuit.core_factor * float(np.exp(1.2 * at["rough core"])),
        line_in_joint=0.5 * float(np.exp(1.5 * at["joint in"])),
        line_out_joint=0.5 * float(np.exp(1.5 * at["joint out"])),
        winding_joint=0.5 * float(np.exp(1.5 * at["winding joint"])),
        internal_resistor=None if resistor is None else resistor * float(np.exp(0.5 * at["rough resistor"])),
    )


def nominal(type_: SamplerType, tables: Tables) -> SamplerCircuit:
    """Return the type's circuit: an ideal core where the tables do not know it.

    A type with a second winding is taken as one winding that couples as the tolerance asks.
    """
    build = type_.build
    if build.second_turns is not None or build.second_core is not None:
        return replace(ideal_circuit(10 ** (type_.tolerance.coupling / 20)), line_before=_half(), line_after=_half())
    try:
        core = find_core(build.core, tables.cores, tables.materials, stack=build.stack)
    except UsageError:
        core = IdealCore()
    section = tables.cables[build.line].line(LINE_LENGTH) if build.line in tables.cables else LineSection(length=LINE_LENGTH)
    return built_circuit(build, core, section)


def _half() -> LineSection:
    return LineSection(length=LINE_LENGTH / 2)


def healthy(circuit: SamplerCircuit, adapters: Adapters) -> UnitModel:
    """Return a unit that is built as it should be."""
    return UnitModel("", circuit, HEALTHY, adapters)


def badly_built(circuit: SamplerCircuit, adapters: Adapters) -> tuple[UnitModel, ...]:
    """Return what a bad build may be: each with turns, core, joints, resistor and line impedance wide open besides."""
    inside = circuit.internal_resistor
    second = Z0 if inside is None else inside * Z0 / (inside + Z0)
    kinds: list[tuple[str, SamplerCircuit]] = [
        ("turns, core, a joint, a resistor or the line", circuit),
        ("double termination", replace(circuit, internal_resistor=second)),
        ("braid grounded at both ends", replace(circuit, braid="both ends")),
        ("braid grounded at neither end", replace(circuit, braid="neither end")),
        ("open winding", replace(circuit, winding_open=True)),
        ("wrong core", replace(circuit, core=InductanceCore(inductance=POWDER))),
    ]
    if isinstance(circuit.core, ToroidCore):
        kinds.append(("wrong core", replace(circuit, core=replace(circuit.core, material=LOSSY))))
    if circuit.turns > 2:
        kinds.append(("shorted turns", replace(circuit, shorted_turns=1.0)))
    if inside is not None:
        kinds.append(("termination missing", replace(circuit, internal_resistor=None)))
    return tuple(UnitModel(says, kind, HEALTHY + ROUGH, adapters) for says, kind in kinds)
