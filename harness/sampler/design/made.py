"""From a build to circuits: what the parts say, the usual parasitics, and what a built unit's proof puts in their place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from harness.sampler.build import nominal_circuit, wire_length_per_turn
from harness.sampler.circuit import SamplerCircuit
from harness.sampler.core import Core, CoreGeometry, InductanceCore, ToroidCore
from harness.sampler.design.fast import Floats, Unit, unit_of
from harness.sampler.design.parts import Parts, find_part
from harness.sampler.design.result import Build
from harness.sampler.design.wish import DesignWish, Fitted
from harness.sampler.tables import Cable, MaterialEntry, WireSize, find_core

INSIDE_LEAD = 5e-9
"""Inductance of the lead from the first winding through the second core, H: an assumption of usual size, without a source."""


@dataclass(frozen=True)
class CorePart:
    """A core of the tables, stacked: its circuit element, size (None where unknown), material, and A_L in H of the stack."""

    name: str
    stack: int
    core: Core
    geometry: CoreGeometry | None
    material: MaterialEntry
    a_l: float


def core_part(name: str, parts: Parts, stack: int = 1) -> CorePart:
    """Return a core by its part name; UsageError, listing what is known, for one that the tables do not hold."""
    core = find_core(name, parts.cores, parts.materials, stack=stack)
    sizes = [size for size in parts.cores if name.startswith(f"{size}-") and name.removeprefix(f"{size}-") in parts.materials]
    material = parts.materials[name.removeprefix(f"{sizes[0]}-")]
    if isinstance(core, ToroidCore):
        return CorePart(name, stack, core, core.geometry, material, core.a_l)
    a_l = core.inductance if isinstance(core, InductanceCore) else 0.0
    return CorePart(name, stack, core, None, material, a_l)


@dataclass(frozen=True)
class Made:
    """A build with its parts and circuits. ``second``: of the second winding, behind the first; it holds resistors and port."""

    wish: DesignWish
    build: Build
    cores: tuple[CorePart, ...]
    wire: WireSize
    cable: Cable
    first: SamplerCircuit
    second: SamplerCircuit | None

    @property
    def turns(self) -> tuple[int, ...]:
        """Turns of each winding."""
        return (self.build.turns,) if self.build.second_turns is None else (self.build.turns, self.build.second_turns)

    @property
    def circuits(self) -> tuple[SamplerCircuit, ...]:
        """Circuit of each winding."""
        return (self.first,) if self.second is None else (self.first, self.second)

    @cached_property
    def wound_length(self) -> float:
        """Wire on the first core in m, without tails."""
        geometry, wire = self.cores[0].geometry, self.wire.overall_diameter.value
        per_turn = 0.02 if geometry is None else wire_length_per_turn(geometry, wire)
        return per_turn * self.build.turns

    def unit(self, frequency_hz: Floats, core_factor: float = 1.0) -> Unit:
        """Return the unit for the fast solver; ``core_factor`` scales A_L of every core."""
        first = replace(self.first, core_factor=self.first.core_factor * core_factor)
        second = None if self.second is None else replace(self.second, core_factor=self.second.core_factor * core_factor)
        return unit_of(first, frequency_hz, second)


def make(wish: DesignWish, build: Build, parts: Parts) -> Made:
    """Return the build with its parts and circuits; UsageError for a part that the tables do not hold."""
    cable = find_part("line", build.line, parts.cables)
    wires = {f"AWG {awg}": wire for awg, wire in parts.wires.items()}
    wire = find_part("wire", f"AWG {build.wire_awg}", wires)
    cores = [core_part(build.core, parts, build.stack)]
    last_only: dict[str, object] = {
        "termination": build.termination,
        "internal_ohm": build.internal_ohm or 50.0,
        "pad": build.pad,
        "shunt_ohm": build.shunt_ohm,
        "series_ohm": build.series_ohm,
    }
    first = _circuit(wish, build, cores[0], build.turns, cable, {} if build.second_turns else last_only)
    second = None
    if build.second_turns is not None:
        cores.append(core_part(build.second_core or build.core, parts))
        second = _circuit(wish, build, cores[1], build.second_turns, cable, last_only)
        second = replace(
            second,
            stray_capacitance=0.0,
            braid_winding_capacitance=0.0,
            primary_leakage=INSIDE_LEAD,
            braid_loop_inductance=0.0,
        )
        first = replace(first, sample_capacitance=0.0)
    return Made(wish, build, tuple(cores), wire, cable, first, second)


def _circuit(
    wish: DesignWish, build: Build, part: CorePart, turns: int, cable: Cable, resistors: Mapping[str, object]
) -> SamplerCircuit:
    line = cable.line(wish.line_length)
    circuit = nominal_circuit(
        turns=turns,
        core=part.core,
        wire_awg=build.wire_awg,
        line_impedance=line.impedance,
        velocity_factor=line.velocity_factor,
        line_length=line.length,
        line_loss_db_per_m=line.loss_db_per_m,
        loss_frequency=line.loss_frequency,
        **resistors,  # type: ignore[arg-type]  # the keys and types of nominal_circuit, gathered above
    )
    return _as_fitted(circuit, wish.like, part)


def _as_fitted(circuit: SamplerCircuit, like: Fitted | None, part: CorePart) -> SamplerCircuit:
    if like is None:
        return circuit
    changed: dict[str, float] = {}
    if like.leakage_per_turn_squared is not None:
        changed["winding_leakage"] = like.leakage_per_turn_squared * circuit.turns**2
    if like.capacitance_per_turn is not None:
        changed["winding_capacitance"] = like.capacitance_per_turn * circuit.turns
    if like.a_l is not None and (like.core or part.name, like.stack) == (part.name, part.stack):
        changed["core_factor"] = like.a_l / part.a_l
    return replace(circuit, **changed)  # type: ignore[arg-type]  # only float fields are named above


def band_grid(wish: DesignWish, points: int) -> Floats:
    """Return ``points`` frequencies in Hz over the band, evenly in the logarithm, edges included."""
    low, high = wish.band_hz
    grid = np.geomspace(low, high, points)
    grid[0], grid[-1] = low, high
    return np.asarray(grid, dtype=np.float64)
