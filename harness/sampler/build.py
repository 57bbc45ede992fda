"""From build facts to a circuit: what a builder knows, and usual values for what nobody can know before measuring."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from harness.errors import UsageError
from harness.sampler.circuit import LineSection, Pad, SamplerCircuit
from harness.sampler.closed_form import wire_diameter
from harness.sampler.core import MU_0, Core, CoreGeometry, ToroidCore

if TYPE_CHECKING:
    from harness.records.type_file import BuildEntry

Z0 = 50.0
"""Ω: what a pad is made for, and an internal termination whose value a type does not state."""

COPPER_RESISTIVITY = 1 / 58e6
"""Ω·m at 20 °C: annealed copper of IEC 60028 (58 MS/m), written down from memory."""

LEAKAGE_PER_TURN_SQUARED = 0.3e-9
"""Winding leakage, H for one turn squared: an assumption of usual size, without a source."""

CAPACITANCE_PER_TURN = 0.15e-12
"""Winding capacitance, F a turn: an assumption of usual size, without a source."""

WIRE_PER_TURN = 0.02
"""Wire length in m a turn when the core's size is not known: an assumption, about right for a half-inch core."""

Termination = Literal["internal", "external"]


def wire_length_per_turn(geometry: CoreGeometry, wire: float) -> float:
    """Return the wire length of one turn in m: round the core's section at half a wire's distance, as a rectangle."""
    return geometry.outer_diameter - geometry.inner_diameter + 2 * geometry.height + 4 * wire


def wire_resistance(length: float, diameter: float) -> float:
    """Return the direct-current resistance in Ω of a copper wire; length and bare diameter in m."""
    return COPPER_RESISTIVITY * length / (math.pi * diameter**2 / 4)


def skin_frequency(diameter: float) -> float:
    """Return the frequency in Hz where the skin depth of copper is a quarter of the diameter (m).

    Far above it a round wire's resistance is R_dc·d/(4δ), which is R_dc·sqrt(f/this).
    """
    return COPPER_RESISTIVITY / (math.pi * MU_0 * (diameter / 4) ** 2)


def _winding_resistance(turns: float, core: Core, wire_awg: int) -> float:
    """Return the direct-current resistance of a winding in Ω."""
    diameter = wire_diameter(wire_awg)
    per_turn = wire_length_per_turn(core.geometry, diameter) if isinstance(core, ToroidCore) else WIRE_PER_TURN
    return wire_resistance(turns * per_turn, diameter)


def _resistors(
    termination: Termination, internal_ohm: float, pad: Pad | None, shunt_ohm: float | None, series_ohm: float | None
) -> tuple[float | None, Pad | None]:
    """Return the resistor across the winding and what stands between it and the sample port."""
    if termination not in ("internal", "external"):
        raise UsageError(f"termination: {termination!r} is not known", hint="Allowed are 'internal' and 'external'.")
    inside = internal_ohm if termination == "internal" else None
    if shunt_ohm is None and series_ohm is None:
        return inside, pad
    if pad is not None or shunt_ohm is None:
        raise UsageError(
            "sampler resistors: a series resistor needs a shunt across the winding, and neither goes with a pad",
            hint="Give a pad, or shunt and series.",
        )
    return inside, Pad("ell", shunt_ohm, series_ohm or 0.0)


def nominal_circuit(
    *,
    turns: float,
    core: Core,
    wire_awg: int = 24,
    line_impedance: float = 50.0,
    velocity_factor: float = 0.695,
    line_length: float = 0.05,
    line_loss_db_per_m: float = 0.088,
    loss_frequency: float = 50e6,
    termination: Termination = "external",
    internal_ohm: float = 50.0,
    pad: Pad | None = None,
    shunt_ohm: float | None = None,
    series_ohm: float | None = None,
) -> SamplerCircuit:
    """Return the healthy circuit of a build: the core in the middle of the line, braid grounded at line in.

    ``core``: from ``find_core`` (geometry, material and stack). ``line_length`` m, loss in dB/m at ``loss_frequency`` Hz.
    ``internal_ohm`` counts only with internal termination; ``shunt_ohm`` across the winding and ``series_ohm`` towards the
    port are the low-value load. Leakage and capacitance are the assumptions above. Raises UsageError for impossible values.
    """
    inside, between = _resistors(termination, internal_ohm, pad, shunt_ohm, series_ohm)
    half = LineSection(
        impedance=line_impedance,
        length=line_length / 2,
        velocity_factor=velocity_factor,
        loss_db_per_m=line_loss_db_per_m,
        loss_frequency=loss_frequency,
    )
    return SamplerCircuit(
        turns=turns,
        core=core,
        line_before=half,
        line_after=half,
        winding_leakage=LEAKAGE_PER_TURN_SQUARED * turns**2,
        winding_resistance=_winding_resistance(turns, core, wire_awg),
        winding_skin_frequency=skin_frequency(wire_diameter(wire_awg)),
        winding_capacitance=CAPACITANCE_PER_TURN * turns,
        internal_resistor=inside,
        pad=between,
    )


def built_circuit(build: BuildEntry, core: Core, line: LineSection) -> SamplerCircuit:
    """Return the nominal circuit of what a type builds, but for a second winding: its core and its line as the tables tell them.

    Raises UsageError for impossible values.
    """
    return nominal_circuit(
        turns=build.turns,
        core=core,
        wire_awg=build.wire_awg,
        line_impedance=line.impedance,
        velocity_factor=line.velocity_factor,
        line_length=line.length,
        line_loss_db_per_m=line.loss_db_per_m,
        loss_frequency=line.loss_frequency,
        termination=build.termination,
        internal_ohm=build.internal_ohm or Z0,
        pad=None if build.pad_db is None else pi_pad(build.pad_db),
        shunt_ohm=build.shunt_ohm,
        series_ohm=build.series_ohm,
    )


def pi_pad(attenuation_db: float) -> Pad:
    """Return the 50 Ω pi pad: shunts Z0·(K+1)/(K−1), series Z0·(K²−1)/(2K), K = 10^(dB/20) (textbook).

    Raises UsageError at 0 dB or less.
    """
    if attenuation_db <= 0:
        raise UsageError(f"pad of {attenuation_db:g} dB: it must be above 0 dB", hint="Leave pad_db out for no pad.")
    k = 10 ** (attenuation_db / 20)
    shunt = Z0 * (k + 1) / (k - 1)
    return Pad("pi", shunt, Z0 * (k * k - 1) / (2 * k), shunt)
