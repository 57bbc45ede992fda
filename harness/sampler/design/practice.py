"""The rule of the trade held against the design: turns = square root of the power ratio. Common practice, no source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from harness.quantities import show_frequency
from harness.sampler.closed_form import loss_db, turns_for, turns_in_one_layer
from harness.sampler.design.fast import solve
from harness.sampler.design.fit import inner_diameter_for
from harness.sampler.design.made import Made, band_grid, make
from harness.sampler.design.parts import Parts
from harness.sampler.design.result import Practice


def practice_of(made: Made, parts: Parts) -> Practice:
    """Return what the rule's turns would read on this core with this termination, and whether the rule holds here."""
    wish = made.wish
    turns = turns_for(wish.coupling_db)
    build = replace(made.build, kind="bare winding", turns=turns, pad=None, pad_db=None)
    build = replace(build, shunt_ohm=None, series_ohm=None, second_turns=None, second_core=None)
    grid = band_grid(wish, 21)
    ruled = make(wish, build, parts)
    values = loss_db(solve(ruled.unit(grid), grid).s31)
    reads, edge = float(values.max() + values.min()) / 2, float(values[0])
    off = max(abs(float(np.median(values)) - wish.coupling_db), abs(edge - wish.coupling_db))
    room = _room(ruled)
    holds = off <= wish.tolerances.coupling_error and not room
    rule = f"The rule of the trade, turns = square root of the power ratio (common practice, no source), gives {turns} turns. "
    return Practice(turns, reads, edge, holds, rule + _verdict(ruled, float(np.median(values)), edge, holds) + room)


def _verdict(ruled: Made, middle: float, edge: float, holds: bool) -> str:
    wish, build = ruled.wish, ruled.build
    here = f"on {build.core} with {build.termination} termination they read {middle:.2f} dB"
    if build.termination == "internal":
        return (
            f"It is for external termination: {here} into a 50 Ω instrument, because the resistor inside and the instrument are"
            f" in parallel; 6 dB is a factor of four in power."
        )
    if edge - middle > 0.3 and abs(edge - wish.coupling_db) > wish.tolerances.coupling_error:
        return (
            f"Here it fails at the low end: {here} at mid-band but {edge:.1f} dB at {show_frequency(wish.band_hz[0])},"
            f" for want of inductance."
        )
    if abs(middle - wish.coupling_db) > wish.tolerances.coupling_error:
        return f"Here it misses {wish.coupling_db:g} ± {wish.tolerances.coupling_error:g} dB: {here}."
    return f"It {'holds' if holds else 'would hold'} here: {here}; with a resistor inside, or a tee's load left on, 6 dB more."


def _room(ruled: Made) -> str:
    """Return what is wrong with the space for the rule's turns, or nothing."""
    geometry, wire = ruled.cores[0].geometry, ruled.wire.overall_diameter.value
    if geometry is None:
        return ""
    turns, most = ruled.build.turns, turns_in_one_layer(wire, geometry.inner_diameter)
    if turns <= most:
        return ""
    bore = inner_diameter_for(turns, wire) * 1e3
    return (
        f" They do not fit: one layer of AWG {ruled.build.wire_awg} on {ruled.build.core} holds {most}, and {turns} turns need a"
        f" bore of {bore:.1f} mm and {ruled.wound_length:.1f} m of wire."
    )
