"""How a winding and the line fit a core: turns of one layer, the hole left, the length of wire; and the choice of both."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.sampler.closed_form import hole_left, turns_in_one_layer
from harness.sampler.core import CoreGeometry
from harness.sampler.design.made import Made, core_part
from harness.sampler.design.parts import Parts
from harness.sampler.design.result import Winding
from harness.sampler.design.wish import DesignWish
from harness.sampler.network import LIGHT

GAP_DEGREES = 30.0
"""The gap that is usually left between the ends of a winding (from memory; common practice, no source)."""
TAILS = 0.1
"""Wire for both ends of a winding, m: an assumption."""
USUAL_WIRES = (20, 30)
"""Gauges that are chosen from when the wish leaves the wire free."""
LONGEST_WIRE = 0.1
"""Wire on the core over the wavelength: keep it under a tenth (rule of thumb, from memory)."""


def winding_fit(made: Made) -> Winding:
    """Return how a design's winding and line fit its core."""
    wire, line = made.wire.overall_diameter.value, made.cable.outer_diameter.value + made.wish.sleeve
    geometry = made.cores[0].geometry
    most = None if geometry is None else turns_in_one_layer(wire, geometry.inner_diameter)
    second = made.cores[1].geometry if len(made.cores) > 1 else None
    return Winding(
        most_turns=most,
        wire_length=made.wound_length + TAILS,
        wire_wavelengths=made.wound_length * made.wish.band_hz[1] / LIGHT,
        hole=None if geometry is None else hole_left(wire, geometry.inner_diameter),
        line_diameter=line,
        second_most_turns=None if second is None else turns_in_one_layer(wire, second.inner_diameter),
        gap_degrees=None if not most else 360.0 * (1 - made.build.turns / most),
    )


def inner_diameter_for(turns: int, wire_overall: float) -> float:
    """Return the least bore in m that takes so many turns in one layer: d/sin(π/N) + d."""
    return wire_overall / math.sin(math.pi / max(turns, 2)) + wire_overall


@dataclass(frozen=True)
class Choice:
    """Wire and line for a winding; ``excess`` is 0 when both fit, else by how much they do not, as a share."""

    wire_awg: int
    line: str
    excess: float


def choose(wish: DesignWish, parts: Parts, core: str, turns: tuple[int, ...]) -> Choice:
    """Return the first line and the thickest usual wire that fit (with a gap, if one can be had), else what comes nearest."""
    geometry = core_part(core, parts).geometry
    lines = [wish.line] if wish.line is not None else sorted(parts.cables, key=lambda line: not _power_fits(wish, parts, line))
    wires = [wish.wire_awg] if wish.wire_awg is not None else _usual(parts)
    if geometry is None:
        return Choice(24 if 24 in wires else wires[0], lines[0], 0.0)
    pairs = [(line, awg) for line in lines if _volts_fit(wish, parts, line) for awg in wires]
    if not pairs:
        return Choice(wires[0], lines[0], 0.0)
    most = max(turns)
    for wanted in (most * 360 / (360 - GAP_DEGREES), most):
        for line, awg in pairs:
            if _excess(parts, geometry, awg, wish.sleeve, line, wanted) == 0:
                return Choice(awg, line, 0.0)
    every = (Choice(awg, line, _excess(parts, geometry, awg, wish.sleeve, line, most)) for line, awg in pairs)
    return min(every, key=lambda one: one.excess)


def _usual(parts: Parts) -> list[int]:
    usual = [awg for awg in sorted(parts.wires) if USUAL_WIRES[0] <= awg <= USUAL_WIRES[1]]
    return usual or sorted(parts.wires)


def _volts_fit(wish: DesignWish, parts: Parts, line: str) -> bool:
    rating = parts.working_voltage(line)
    return wish.line is not None or rating is None or rating.value >= math.sqrt(wish.line_power * 50 * wish.line_swr)


def _power_fits(wish: DesignWish, parts: Parts, line: str) -> bool:
    rating = parts.line_power(line, wish.band_hz[1])
    return rating is None or rating >= wish.line_power * wish.line_swr


def _excess(parts: Parts, geometry: CoreGeometry, awg: int, sleeve: float, line: str, turns: float) -> float:
    wire = parts.wires[awg].overall_diameter.value
    most = turns_in_one_layer(wire, geometry.inner_diameter)
    hole = hole_left(wire, geometry.inner_diameter)
    outer = parts.cables[line].outer_diameter.value + sleeve
    return max(0.0, turns / max(most, 0.5) - 1) + max(0.0, outer / max(hole, 1e-6) - 1)
