"""Nothing on the sample port: what then stands there, how hot the core gets, and what the line sees.

Without its load an externally terminated winding leaves the core itself in series with the line, and the strays of winding and
connector resonate with it. So the worst over the band, over a range of strays and over every phase of the line's SWR is given.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from harness.sampler.closed_form import loss_db
from harness.sampler.design.fast import Floats, Unit, solve
from harness.sampler.design.made import Made
from harness.sampler.design.result import Unloaded, UnloadedAt
from harness.sampler.design.stress import incident_power, reflections, rise_of

STRAYS = (0.0, 3e-12, 5e-12, 10e-12, 20e-12, 50e-12)
"""Stray capacitance in F across winding and connector: the range that is tried (an assumption; 50 pF is half a metre of coax)."""
SAFE_VOLTS = 50.0
"""The most V r.m.s. on an open sample port that passes as safe here (an assumption)."""


def _with_strays(unit: Unit, strays: Floats) -> Unit:
    """Return the unit with these strays across its last winding, and nothing but them; shape (strays, 1, 1)."""
    values = strays[:, None, None]
    if unit.second is not None:
        return replace(unit, second=replace(unit.second, capacitance=values), port_capacitance=0.0)
    return replace(unit, first=replace(unit.first, capacitance=values, to_braid=0.0), port_capacitance=0.0)


class _Worst(NamedTuple):
    """Values over (strays, frequencies), worst over the phases."""

    port: Floats
    winding: Floats
    heat: tuple[Floats, ...]


def _worst(made: Made, unit: Unit, frequency_hz: Floats, phases: int) -> _Worst:
    wish = made.wish
    power = incident_power(wish.line_power, wish.line_swr)
    solved = solve(unit, frequency_hz, port_y=0.0, line_gamma=reflections(wish.line_swr, phases))
    shape = (unit_strays(unit), phases if wish.line_swr > 1 else 1, frequency_hz.size)

    def most(values: Floats) -> Floats:
        return np.asarray(np.broadcast_to(values, shape).max(axis=1), dtype=np.float64)

    heats = tuple(
        most(np.abs(volts) ** 2) * power * np.real(circuit.core.admittance(frequency_hz)) / circuit.core_factor
        for volts, circuit in zip(solved.volts_per_turn, made.circuits, strict=True)
    )
    root = np.sqrt(power)
    return _Worst(most(np.abs(solved.port_volts)) * root, most(np.abs(solved.winding_volts[-1])) * root, heats)


def unit_strays(unit: Unit) -> int:
    """Return over how many strays a unit runs."""
    last = unit.first if unit.second is None else unit.second
    return int(np.asarray(last.capacitance).size)


def unloaded(made: Made, frequency_hz: Floats, phases: int = 24, strays: tuple[float, ...] = STRAYS) -> Unloaded:
    """Return what happens with nothing on the sample port, at the wish's line power and SWR."""
    unit = _with_strays(made.unit(frequency_hz), np.array(strays))
    worst = _worst(made, unit, frequency_hz, phases)
    matched = solve(unit, frequency_hz, port_y=0.0)
    total = np.asarray(sum(worst.heat), dtype=np.float64)
    shape = total.shape
    back = np.broadcast_to(loss_db(matched.s11)[:, 0], shape)
    through = np.broadcast_to(loss_db(matched.s21)[:, 0], shape)
    rows = tuple(
        UnloadedAt(
            stray=stray,
            volts=float(worst.port[row].max()),
            volts_hz=float(frequency_hz[worst.port[row].argmax()]),
            core_heat=float(total[row].max()),
            core_heat_hz=float(frequency_hz[total[row].argmax()]),
            return_loss_db=float(min(back[row].min(), 200.0)),
            insertion_loss_db=float(through[row].max()),
        )
        for row, stray in enumerate(strays)
    )
    return _summed(made, rows, worst)


def _summed(made: Made, rows: tuple[UnloadedAt, ...], worst: _Worst) -> Unloaded:
    highest = max(rows, key=lambda row: row.volts)
    rises = [rise_of(part, float(heat.max())) for part, heat in zip(made.cores, worst.heat, strict=True)]
    known = [rise for rise in rises if rise is not None]
    rise = max(known) if known else None
    cool = rise is None or rise <= made.wish.most_core_rise
    return Unloaded(
        volts=highest.volts,
        volts_hz=highest.volts_hz,
        winding_volts=float(worst.winding.max()),
        core_heat=max(row.core_heat for row in rows),
        core_rise_c=rise,
        return_loss_db=min(row.return_loss_db for row in rows),
        insertion_loss_db=max(row.insertion_loss_db for row in rows),
        safe=highest.volts <= SAFE_VOLTS and cool,
        safe_volts=SAFE_VOLTS,
        at=rows,
    )
