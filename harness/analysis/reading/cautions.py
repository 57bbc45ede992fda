"""What can hurt at this power, with this unit's own figures. Said beside every answer; nothing is left to memory."""

from __future__ import annotations

import math

from harness.analysis.levels import watts_of_dbm
from harness.analysis.reading.level import Z0
from harness.analysis.reading.unit import Known
from harness.quantities import show_power
from harness.sampler.design.words import about

HARMLESS = 1e-3
"""Line power in W below which nothing is said: signals from an analyser or generator (0 dBm)."""
TOUCH_VOLTS = 30.0
"""V peak from which a connector is told of: RF burns begin well below what mains rules call dangerous (chosen, no source)."""


def cautions_of(known: Known, watts: float, line_swr: float) -> tuple[str, ...]:
    """Return the cautions for a line power in W, delivered, of the crest, at a line SWR whose phase is not known."""
    if watts < max(HARMLESS, float(watts_of_dbm(0.0)) * 1.0001):
        return ()
    said = [_open_port(known, watts, line_swr), _line(known, watts, line_swr), _above_type(known, watts)]
    return tuple(one for one in said if one)


def _open_port(known: Known, watts: float, line_swr: float) -> str:
    circuit = known.circuit
    if circuit is None:
        return "Never take the load off the sample port under power." if known.external else ""
    bare, wish = circuit.design.unloaded, circuit.made.wish
    more = watts / wish.line_power * line_swr / wish.line_swr
    volts = bare.volts * math.sqrt(more)
    if not known.external and volts < TOUCH_VOLTS:
        return ""
    heat = bare.core_heat * more
    hot = f" and the core would take up to {show_power(heat)}" if heat >= 1 else ""
    return (
        f"Never take the load off the sample port under power: at {show_power(watts)} up to {_volts(volts)} r.m.s. would stand"
        f" on it (worst of the band, at {about(bare.volts_hz)}){hot}."
    )


def _line(known: Known, watts: float, line_swr: float) -> str:
    peak = math.sqrt(2 * watts * Z0 * line_swr)
    if peak < TOUCH_VOLTS:
        return ""
    return f"The line carries up to {peak:.0f} V peak: RF burns. Touch no connector under power; dummy loads get hot."


def _above_type(known: Known, watts: float) -> str:
    made_for = known.type.use.line_power
    if watts <= made_for:
        return ""
    return f"{show_power(watts)} is more than the {show_power(made_for)} that the type {known.type.name} is made for."


def _volts(volts: float) -> str:
    return f"{volts / 1e3:.2g} kV" if volts >= 1000 else f"{volts:.2g} V" if volts < 100 else f"{volts:.0f} V"
