"""Units for the tests of the diagnosis: the reference units, and perturbed circuits on a bench with errors."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from fixtures.units.measure import Measured, Quality, measure
from harness.analysis.diagnosis import Diagnosis, Intended, diagnose, intended_of
from harness.records import SamplerType, parse_type
from harness.sampler import SamplerCircuit, parse_cables, parse_cores, parse_materials, three_port
from tests.evidence.diagnosis import intended_unit, table
from tests.texts import TYPE_TEXT
from tests.unit_population import Unit, measured

GRID = np.geomspace(1e6, 100e6, 51)
TWO = ("line", "coupled")
FOUR = ("line", "coupled", "coupled-far", "sample")


def type_of(**build: str) -> SamplerType:
    """Return the 30 dB type of the shared texts with lines of its build replaced or added."""
    text = TYPE_TEXT
    for key, value in build.items():
        lines = [f"{key} = {value}" if line.startswith(f"{key} =") else line for line in text.splitlines()]
        text = "\n".join(lines)
    return parse_type(text, "test type")


def intended(**build: str) -> Intended:
    """Return what a unit of that type should be."""
    return intended_of(
        type_of(**build), parse_cores(table("cores")), parse_materials(table("materials")), parse_cables(table("cables"))
    )


def built(meant: Intended, **changed: Any) -> SamplerCircuit:
    """Return a circuit as one builder made it: the intended one, its parasitics off by a build's tolerance, and changes."""
    base = meant.circuit
    off: dict[str, Any] = {
        "core_factor": 1.08,
        "winding_leakage": 1.1 * base.winding_leakage,
        "winding_capacitance": 0.5 * base.winding_capacitance,
        "line_before": replace(base.line_before, length=1.05 * base.line_before.length, impedance=49.0),
        "line_after": replace(base.line_after, length=0.97 * base.line_after.length, impedance=48.0),
        "primary_leakage": 2e-9,
        "sample_capacitance": 0.8e-12,
    }
    return replace(base, **(off | changed))


def on_bench(circuit: SamplerCircuit, seed: int = 1, bench: Quality | None = None) -> Measured:
    """Return the four corrected sweeps of a circuit, with the errors of the reference bench."""
    return measure(three_port(circuit, GRID), GRID, seed, bench=bench)


def diagnosed(run: Measured, meant: Intended, sweeps: tuple[str, ...] = FOUR) -> Diagnosis:
    """Return the diagnosis from some of the sweeps."""
    return diagnose({name: run.sweeps[name] for name in sweeps}, run.terminations, meant)


def diagnosed_unit(unit: Unit, sweeps: tuple[str, ...] = FOUR) -> Diagnosis:
    """Return the diagnosis of a reference unit."""
    return diagnosed(measured(unit), intended_unit(unit), sweeps)
