"""The cautions of a build sheet, with the design's own numbers; short, what can hurt first."""

from __future__ import annotations

from dataclasses import dataclass

from harness.quantities import show_power
from harness.sampler.design import CoreHeat, Design, ResistorStress
from harness.sampler.design.words import BEYOND_C, about

WARM_C = 20.0
"""A part that warms by more than this many °C is worth waiting for."""
WORTH_TELLING = 0.05
"""A resistor's heat in W from which it is told."""


@dataclass(frozen=True)
class Caution:
    """A caution: two or three words, then what and how much."""

    head: str
    says: str


def build_cautions(design: Design) -> tuple[Caution, ...]:
    """Return the cautions for whoever builds and first uses this design."""
    return (
        _open_port(design),
        _line(design),
        _heat(design),
        _sample(design),
        Caution(
            "Whose rules count",
            "Local rules come before this page. First power: by a person licensed and practised in it, low at first, into a load "
            "that bears it.",
        ),
    )


def _at(design: Design) -> str:
    return f"{show_power(design.wish.line_power)}, line SWR {design.wish.line_swr:g}"


def _open_port(design: Design) -> Caution:
    bare = design.unloaded
    volts = f"up to {bare.volts:.0f} V r.m.s. ({about(bare.volts_hz)}, {_at(design)})"
    if bare.safe:
        return Caution("Sample port open", f"With nothing on it {volts} stand there; do not touch its centre at power.")
    heat = "the core's heat is not known"
    if bare.core_heat > 0:
        heat = f"the core takes up to {show_power(bare.core_heat)}{_hot(bare.core_rise_c)}"
    return Caution("Never transmit with nothing on the sample port", f"{volts[:1].upper()}{volts[1:]} stand there, and {heat}.")


def _hot(rise: float | None) -> str:
    if rise is None:
        return ""
    return " and is lost" if rise > BEYOND_C else f" ({rise:.0f} °C above the room)"


def _line(design: Design) -> Caution:
    stress, build = design.stress, design.build
    rated = []
    if stress.connector_peak_rating is not None:
        rated.append(f"{build.line_connectors} connectors bear {stress.connector_peak_rating:.0f} V peak")
    if stress.cable_rms_rating is not None:
        rated.append(f"{build.line} bears {stress.cable_rms_rating:.0f} V r.m.s")
    bears = f" {'; '.join(rated)}." if rated else ""
    amps = f"{stress.current:.1f} A r.m.s."
    carries = f"The line carries up to {stress.line_peak:.0f} V peak and {amps}: lid screwed on before any power."
    return Caution(f"RF burns; never more than {_at(design)}", carries + bears)


def _heat(design: Design) -> Caution:
    cores = " · ".join(_core(core) for core in dict.fromkeys(design.stress.cores))
    touch = " Let it cool before the lid comes off." if _is_hot(design) else ""
    return Caution("Hot parts", f"At full power: {cores}.{_hottest_resistor(design)}{touch}")


def _core(core: CoreHeat) -> str:
    if core.watts <= 0:
        return f"{core.core}: heat not known"
    return f"{core.core} {show_power(core.watts)}" + ("" if core.rise_c is None else _above(core.rise_c))


def _hottest_resistor(design: Design) -> str:
    worst = max(design.stress.resistors, key=_watts, default=None)
    if worst is None or _watts(worst) < WORTH_TELLING:
        return ""
    when = " with nothing on the port" if worst.watts_unloaded > worst.watts else ""
    rise = "" if worst.rise_c is None else _above(worst.rise_c)
    return f" The {worst.ohm:g} Ω resistor ({worst.name}) takes up to {show_power(_watts(worst))}{when}{rise}."


def _above(rise: float) -> str:
    return f", more than {BEYOND_C:.0f} °C above the room" if rise > BEYOND_C else f", {rise:.0f} °C above the room"


def _watts(one: ResistorStress) -> float:
    return max(one.watts, one.watts_unloaded)


def _is_hot(design: Design) -> bool:
    rises = [core.rise_c for core in design.stress.cores] + [one.rise_c for one in design.stress.resistors]
    return any(rise is not None and rise > WARM_C for rise in rises)


def _sample(design: Design) -> Caution:
    port = design.sample
    pad = ""
    if port.attenuator_db:
        bears = show_power(port.attenuator_watts)
        pad = f" An instrument that bears {show_power(port.limit)} needs {port.attenuator_db:g} dB before it, made for {bears}."
    twice = design.coupling.with_tee_load.nominal_db - design.coupling.into_50.nominal_db
    again = f" A second 50 Ω load on the port reads {twice:.1f} dB low." if twice > 0.5 else ""
    gives = f"Up to {show_power(port.watts)} ({port.volts:.1f} V r.m.s.) into 50 Ω."
    return Caution("Sample port", f"{gives}{pad}{again} Reads current; not directional.")
