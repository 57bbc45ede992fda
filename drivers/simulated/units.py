"""Units for the simulated bench: a type's nominal circuit, built with the tolerances of a bench and, if asked, with a fault."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from importlib.resources import files

import numpy as np

from drivers.simulated.build_faults import with_fault
from drivers.simulated.parts import draws
from harness.errors import UsageError
from harness.records import SamplerType, SimulatedEntry
from harness.records.bench_file import SimulatedUnitEntry
from harness.sampler import (
    Core,
    LineSection,
    Pad,
    SamplerCircuit,
    built_circuit,
    find_core,
    parse_cables,
    parse_cores,
    parse_materials,
)

LINE_LENGTH = 0.05
"""Length of the line through a unit in m; assumed: a small box."""

SPREAD = {
    "core_factor": 0.07,
    "winding_leakage": 0.12,
    "winding_capacitance": 0.12,
    "primary_leakage": 0.2,
    "stray_capacitance": 0.2,
    "sample_capacitance": 0.2,
    "braid_loop_inductance": 0.15,
    "braid_winding_capacitance": 0.2,
    "winding_resistance": 0.05,
}
"""Relative standard deviations from unit to unit at a build spread of 1 (assumed; catalogues give A_L ± 25 % between lots)."""

RESISTOR_SPREAD = 0.004
"""Relative standard deviation of resistors: nearly all within 1 %."""
LENGTH_SPREAD = 0.8e-3
"""Standard deviation of each half of the line, in m."""
IMPEDANCE_SPREAD = 0.4
"""Standard deviation of the line's impedance in Ω; both halves are cut from one cable."""
JOINT_SPREAD = 1.5e-3
"""A joint of the line has the magnitude of a draw of this standard deviation, in Ω."""


def build_unit(sampler_type: SamplerType, entry: SimulatedEntry, name: str) -> SamplerCircuit:
    """Return the unit ``name``: the same name, type, seed and build spread always give the same unit.

    ``entry.units[name]`` may give it a seed of its own and a fault (see ``build_faults``). UsageError for a fault that is not
    known or not possible, a core or cable that the tables do not hold, and a type with a second winding.
    """
    own = entry.units.get(name, SimulatedUnitEntry())
    rng = draws(entry.seed if own.seed is None else own.seed, "unit", sampler_type.name, name)
    healthy = _spread(type_circuit(sampler_type), rng, entry.build_spread)
    if own.fault is None:
        return healthy
    build = sampler_type.build
    return with_fault(healthy, own.fault, build.core, lambda core: core_of(core, build.stack))


def type_circuit(sampler_type: SamplerType) -> SamplerCircuit:
    """Return the nominal circuit of a type: its core and cable from the tables, 50 mm of line."""
    build = sampler_type.build
    if build.second_turns is not None or build.second_core is not None:
        raise UsageError(
            f"type {sampler_type.name}: a unit with a second winding is not simulated", hint="Simulate a type with one winding."
        )
    cables = parse_cables(_table("cables.toml"))
    if build.line not in cables:
        raise UsageError(f"line {build.line!r} is not in the tables", hint=f"Lines: {', '.join(cables)}.")
    line = cables[build.line].line(LINE_LENGTH)
    return built_circuit(build, core_of(build.core, build.stack), line)


def core_of(name: str, stack: int = 1) -> Core:
    """Return the core of a part name from the tables; UsageError where they do not hold it."""
    return find_core(name, parse_cores(_table("cores.toml")), parse_materials(_table("materials.toml")), stack=stack)


@cache
def _table(name: str) -> str:
    return files("harness.data").joinpath(name).read_text(encoding="utf-8")


def _spread(circuit: SamplerCircuit, rng: np.random.Generator, scale: float) -> SamplerCircuit:
    """Return the circuit as one builder made it; draws are cut at 2.5 standard deviations, as a builder would reject the part."""

    def normal() -> float:
        return float(np.clip(rng.normal(), -2.5, 2.5)) * scale

    changed: dict[str, float] = {name: getattr(circuit, name) * float(np.exp(size * normal())) for name, size in SPREAD.items()}
    impedance = IMPEDANCE_SPREAD * normal()
    before = _line(circuit.line_before, impedance, LENGTH_SPREAD * normal())
    after = _line(circuit.line_after, impedance, LENGTH_SPREAD * normal())
    joints = {name: abs(JOINT_SPREAD * normal()) for name in ("line_in_joint", "line_out_joint", "sample_joint", "winding_joint")}
    resistors = [1 + RESISTOR_SPREAD * normal() for _ in range(4)]
    inside = None if circuit.internal_resistor is None else circuit.internal_resistor * resistors[0]
    pad = circuit.pad
    if pad is not None:
        pad = Pad(pad.kind, pad.first * resistors[1], pad.second * resistors[2], pad.third * resistors[3])
    made = replace(circuit, **changed, **joints)  # type: ignore[arg-type]  # only float fields are named above
    return replace(made, line_before=before, line_after=after, internal_resistor=inside, pad=pad)


def _line(line: LineSection, impedance: float, length: float) -> LineSection:
    return replace(line, impedance=max(line.impedance + impedance, 1.0), length=max(line.length + length, 0.0))
