"""Units for the tests of readings: as a proof knows them, exact where an exact answer is to be had."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from harness.analysis.reading.unit import Known, circuit_of, known_unit
from harness.files import read_type
from harness.records import CouplingTable, SamplerType
from harness.sampler.design import shipped_parts
from tests.sheet_records import unit_proof

COUPLING_DB = 30.1072
"""32 turns, ideal core, externally terminated (closed form: D = 2N² + 1, coupling 20·log10(D/2N))."""


def flat_table(db: float = COUPLING_DB, half: float = 0.0) -> CouplingTable:
    """Return a flat coupling from 1 to 100 MHz."""
    hz = tuple(np.linspace(1e6, 100e6, 100))
    return CouplingTable(hz=hz, db=(db,) * 100, low=(db - half,) * 100, high=(db + half,) * 100)


def ideal(db: float = COUPLING_DB, half: float = 0.0) -> Known:
    """Return a unit of type hf30 with a flat coupling and no circuit: nothing but the current is read."""
    type_ = read_type("hf30")
    return Known("CL-0007", type_, type_.band_hz, flat_table(db, half), None, "no circuit in this test")


@cache
def external() -> Known:
    """Return a unit of type hf30 with its circuit."""
    return known_unit(unit_proof(), shipped_parts())


@cache
def internal_type() -> SamplerType:
    """Return hf30 with 16 turns and a resistor inside: 30.1 dB into 50 Ω too."""
    shipped = read_type("hf30")
    build = shipped.build.model_copy(update={"termination": "internal", "internal_ohm": 50.0, "turns": 16})
    return shipped.model_copy(update={"build": build})


@cache
def internal() -> Known:
    """Return a unit of that type."""
    type_ = internal_type()
    return replace(external(), type=type_, circuit=circuit_of(type_, shipped_parts()))
