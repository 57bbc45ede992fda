"""What must be told beside a design: dangers with their figures, traps of reading, and which values were written from memory."""

from __future__ import annotations

import math

from harness.quantities import show_frequency, show_power
from harness.sampler.design.fit import GAP_DEGREES, LONGEST_WIRE
from harness.sampler.design.made import Made
from harness.sampler.design.parts import Parts
from harness.sampler.design.reasons import whole_turns
from harness.sampler.design.result import Couplings, SamplePort, Stress, Unloaded, Winding
from harness.sampler.design.words import about, warmer
from harness.sampler.material import CoreMaterial
from harness.sampler.tables import Sourced


def cautions_of(
    made: Made, coupling: Couplings, winding: Winding, stress: Stress, sample: SamplePort, unloaded: Unloaded
) -> tuple[str, ...]:
    """Return sentences for the sheet, the ones about harm first."""
    return tuple(
        said
        for said in (
            _nothing_connected(made, unloaded),
            _instrument(sample),
            _reads_current(made),
            _loaded_twice(made, coupling),
            _whole_turns(made),
            *_winding(winding),
            *_core(made),
            _hot_resistor(stress),
            _hot_line(made, stress),
        )
        if said
    )


def _nothing_connected(made: Made, unloaded: Unloaded) -> str:
    if unloaded.safe:
        return ""
    wish = made.wish
    rise = "" if unloaded.core_rise_c is None else f" and gets {warmer(unloaded.core_rise_c)}"
    return (
        f"Never transmit with nothing on the sample port: at {show_power(wish.line_power)} and a line SWR of {wish.line_swr:g} up"
        f" to {unloaded.volts:.0f} V r.m.s. stand there (worst at {about(unloaded.volts_hz)}), the core takes"
        f" up to {unloaded.core_heat:.0f} W{rise}, and the line's return loss falls to {unloaded.return_loss_db:.0f} dB."
    )


def _instrument(sample: SamplePort) -> str:
    if sample.needed_db <= 0:
        return ""
    return (
        f"The sample port gives up to {show_power(sample.watts)} ({sample.volts:.1f} V r.m.s.); the instrument bears"
        f" {show_power(sample.limit)}: put at least {sample.attenuator_db:g} dB before it ({sample.needed_db:.1f} dB needed),"
        f" of an attenuator that bears {show_power(sample.attenuator_watts)}."
    )


def _reads_current(made: Made) -> str:
    error = 10 * math.log10(made.wish.line_swr)
    return (
        "Reads current; not directional. Power from it is right on a matched line only: at the line SWR of"
        f" {made.wish.line_swr:g} the error reaches ± {error:.2f} dB."
    )


def _loaded_twice(made: Made, coupling: Couplings) -> str:
    here, twice = coupling.into_50.nominal_db, coupling.with_tee_load.nominal_db
    more = twice - here
    if more < 0.5:
        return ""
    if made.build.termination == "internal":
        return (
            f"The resistor inside and a 50 Ω instrument load the winding together, and {here:.2f} dB counts both; into a"
            f" high-impedance scope it reads {coupling.scope_alone.nominal_db:.2f} dB."
        )
    return (
        f"Load the sample port once: with a tee's 50 Ω left on beside a 50 Ω instrument it reads {twice:.2f} dB,"
        f" {more:.1f} dB low, a factor of {10 ** (more / 10):.1f} in power."
    )


def _whole_turns(made: Made) -> str:
    said = whole_turns(made).removeprefix("; ")
    wish = made.wish
    return f"{wish.coupling_db:g} ± {wish.tolerances.coupling_error:g} dB: {said}." if said else ""


def _winding(winding: Winding) -> list[str]:
    said = []
    if winding.gap_degrees is not None and 0 <= winding.gap_degrees < GAP_DEGREES:
        said.append(
            f"The winding leaves a gap of {winding.gap_degrees:.0f}°; {GAP_DEGREES:.0f}° is usual (from memory, no source)."
        )
    if winding.wire_wavelengths > LONGEST_WIRE:
        said.append(
            f"The wire on the core is {winding.wire_wavelengths:.3f} wavelengths long at the high edge; under a tenth is the rule"
            " of thumb (from memory)."
        )
    return said


def _core(made: Made) -> list[str]:
    said = []
    for part in dict.fromkeys(made.cores):
        material = part.material.material
        if isinstance(material, CoreMaterial):
            low, high = material.covered
            if made.wish.band_hz[0] < low or made.wish.band_hz[1] > high:
                said.append(
                    f"Material {material.name} is tabled from {show_frequency(low)} to {show_frequency(high)};"
                    " beyond, its curve is drawn on."
                )
        elif part.material.generic:
            said.append(f"Material {part.material.name} is a generic stand-in, no catalogue grade.")
        else:
            said.append(f"The loss of material {part.material.name} is not known: its heat is taken as none.")
        if part.geometry is None:
            said.append(f"The size of {part.name} is not known: fit, flux and temperature are not worked out.")
    return said


def _hot_line(made: Made, stress: Stress) -> str:
    rating = stress.cable_power_rating
    if rating is None or stress.line_heating <= rating:
        return ""
    return (
        f"{made.build.line} is rated for {show_power(rating)} in a long run at {show_frequency(made.wish.band_hz[1])};"
        f" {show_power(made.wish.line_power)} at a line SWR of {made.wish.line_swr:g} heat it like"
        f" {show_power(stress.line_heating)}. A short piece is cooled by its ends; take a thicker line where one passes the core."
    )


def _hot_resistor(stress: Stress) -> str:
    hot = [one for one in stress.resistors if one.rise_c is not None and one.rise_c > 60]
    if not hot:
        return ""
    one = max(hot, key=lambda found: found.rise_c or 0.0)
    return f"The resistor of {one.ohm:g} Ω ({one.name}) gets {one.rise_c:.0f} °C warmer than its surroundings."


def memory_of(made: Made, stress: Stress, parts: Parts) -> tuple[str, ...]:
    """Return which values that the design rests on were written down from memory."""
    cable, connector = made.cable, parts.connectors[made.build.line_connectors]
    bears = parts.cable_ratings.get(cable.name)
    named: list[tuple[str, Sourced | None]] = [
        (f"{cable.name}: impedance", cable.impedance),
        (f"{cable.name}: diameter", cable.outer_diameter),
        (f"{cable.name}: velocity factor", cable.velocity_factor),
        (f"{cable.name}: loss", cable.loss_db_per_m),
        (f"{cable.name}: working voltage", parts.working_voltage(cable.name)),
        (f"{cable.name}: power of a long run", None if bears is None else bears.power),
        (f"{connector.name} connectors: peak volts", connector.peak_volt),
        (f"{connector.name} connectors: most frequency", connector.most_hz),
        (f"AWG {made.wire.awg}: overall diameter", made.wire.overall_diameter),
    ]
    for part in made.cores:
        named.append((f"material {part.material.name}: initial permeability", part.material.initial_permeability))
        named.append((f"material {part.material.name}: Curie temperature", part.material.curie_celsius))
    used = dict.fromkeys(one.kind for one in stress.resistors if one.kind is not None)
    named += [(f"resistor {kind}: rating and rise", parts.resistors[kind].rating) for kind in used]
    return tuple(dict.fromkeys(what for what, value in named if value is not None and value.source.memory))


def assumptions_of(made: Made) -> tuple[str, ...]:
    """Return what was assumed without a source."""
    wish, like = made.wish, made.wish.like
    guessed = []
    if like is None or like.leakage_per_turn_squared is None:
        guessed.append("leakage")
    if like is None or like.capacitance_per_turn is None:
        guessed.append("winding capacitance")
    said = [f"{' and '.join(guessed)} of usual size; a built unit's fitted values are better"] if guessed else []
    spread = wish.spread
    return (
        *said,
        "strays of braid, box and connectors of a usual size for a small box",
        f"units: A_L ± {spread.a_l:.0%}, one in {1 / spread.miscount:.0f} a turn off, resistors ± {spread.resistor:.0%}, leakage"
        f" and capacitance within a factor of {spread.leakage:g} and {spread.capacitance:g}"
        if spread.miscount
        else f"units: A_L ± {spread.a_l:.0%}, turns counted right, resistors ± {spread.resistor:.0%}",
        f"the instrument bears {show_power(wish.instrument_limit)}",
        "continuous power at the stated SWR, every phase of the reflection",
    )
