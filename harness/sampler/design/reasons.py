"""Why a design does not do: each demand with its number, the limit and a sentence; and the whole-turns trap."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from harness.quantities import show_frequency, show_power
from harness.sampler.closed_form import ideal_coupling_db
from harness.sampler.design.made import Made
from harness.sampler.design.result import Curve, Line, LowEnd, Reason, Stress, Winding
from harness.sampler.design.stress import DERATING
from harness.sampler.design.words import about, warmer


@dataclass(frozen=True)
class Figures:
    """What is judged of a design."""

    into_50: Curve
    at_low_a_l: Curve
    line: Line
    low_end: LowEnd
    winding: Winding
    stress: Stress


def reasons_of(made: Made, figures: Figures) -> tuple[Reason, ...]:
    """Return everything that stands against a design, hardest first; empty when it is feasible."""
    found = [
        *fit_reasons(made, figures.winding),
        *size_reason(made),
        *_coupling(made, figures),
        *_line(made, figures.line),
        *_volts(made, figures.stress),
        *_heat(made, figures.stress),
    ]
    return tuple(sorted(found, key=lambda reason: -reason.excess))


def fit_reasons(made: Made, winding: Winding) -> Iterator[Reason]:
    """Yield what does not fit the core."""
    build = made.build
    fits = [(build.turns, winding.most_turns, build.core)]
    if build.second_turns is not None:
        fits.append((build.second_turns, winding.second_most_turns, str(build.second_core)))
    for turns, most, core in fits:
        if most is not None and turns > most:
            says = f"{turns} turns of AWG {build.wire_awg} do not fit one layer of {core}: {most} do"
            yield Reason("winding fit", says, turns, most, "turns", turns / max(most, 0.5) - 1)
    if winding.hole is not None and winding.line_diameter > winding.hole:
        hole, line = winding.hole * 1e3, winding.line_diameter * 1e3
        says = f"{build.line} of {line:.2f} mm does not pass {build.core}: AWG {build.wire_awg} leaves a hole of {hole:.2f} mm"
        yield Reason("line fit", says, winding.line_diameter, winding.hole, "m", line / max(hole, 1e-3) - 1)


def size_reason(made: Made) -> Iterator[Reason]:
    """Yield that a core's size is not known, where the wish does not name that core."""
    for part in made.cores:
        if part.geometry is None and made.wish.core is None:
            says = f"the size of {part.name} is not in the tables: whether the winding and the line fit cannot be told"
            yield Reason("winding fit", says, 0.0, 0.0, "", 0.5)


def _coupling(made: Made, figures: Figures) -> Iterator[Reason]:
    wish, tolerance, seen = made.wish, made.wish.tolerances, figures.into_50
    low, high = show_frequency(wish.band_hz[0]), show_frequency(wish.band_hz[1])
    error = abs(seen.nominal_db - wish.coupling_db)
    no_turns = whole_turns(made)
    if error <= tolerance.coupling_error and no_turns:
        says = (
            f"{wish.coupling_db:g} ± {tolerance.coupling_error:g} dB{no_turns}; only strays that nobody can predict bring a unit"
            f" inside (here {seen.nominal_db:.2f} dB)"
        )
        yield Reason("coupling", says, seen.nominal_db, wish.coupling_db, "dB", 0.01)
    if error > tolerance.coupling_error:
        says = (
            f"{made.build.title} reads {seen.nominal_db:.2f} dB ({seen.low_edge_db:.2f} dB at {low}, {seen.high_edge_db:.2f} dB"
            f" at {high}); allowed is {wish.coupling_db:g} ± {tolerance.coupling_error:g} dB{no_turns}"
        )
        yield Reason("coupling", says, seen.nominal_db, wish.coupling_db, "dB", error / tolerance.coupling_error - 1)
    if seen.flatness_db > tolerance.flatness:
        says = f"flat to ± {seen.flatness_db:.2f} dB from {low} to {high}; allowed is ± {tolerance.flatness:g} dB"
        yield Reason("flatness", says, seen.flatness_db, tolerance.flatness, "dB", seen.flatness_db / tolerance.flatness - 1)
    weak = figures.at_low_a_l.flatness_db
    if weak > tolerance.flatness:
        end = figures.low_end
        says = (
            f"with A_L 25 % low the corner is at {about(end.corner_at_low_a_l_hz)} and {low} reads"
            f" {end.low_edge_at_low_a_l_db:.2f} dB: flat to ± {weak:.2f} dB; allowed is ± {tolerance.flatness:g} dB"
        )
        yield Reason("low end", says, weak, tolerance.flatness, "dB", weak / tolerance.flatness - 1)


def whole_turns(made: Made) -> str:
    """Return a clause that says so when no whole number of turns meets the wish with this bare winding, else nothing."""
    wish, build = made.wish, made.build
    if build.kind != "bare winding":
        return ""
    load = 50.0 if build.internal_ohm is None else build.internal_ohm * 50 / (build.internal_ohm + 50)
    below = max(1, math.floor(10 ** (wish.coupling_db / 20) * load / 50))
    around = [(turns, ideal_coupling_db(turns, load)) for turns in range(max(1, below - 1), below + 3)]
    if any(abs(db - wish.coupling_db) <= wish.tolerances.coupling_error for _, db in around):
        return ""
    under = max((one for one in around if one[1] < wish.coupling_db), default=around[0])
    over = min((one for one in around if one[1] > wish.coupling_db), default=around[-1])
    return (
        f"; no whole number of turns meets that: {under[0]} give {under[1]:.3f} dB and {over[0]} give {over[1]:.3f} dB"
        " with an ideal core"
    )


def _line(made: Made, line: Line) -> Iterator[Reason]:
    tolerance = made.wish.tolerances
    if line.return_loss_db < tolerance.return_loss:
        says = (
            f"the line's return loss is {line.return_loss_db:.1f} dB (the winding alone {line.winding_return_loss_db:.1f} dB);"
            f" at least {tolerance.return_loss:g} dB is needed"
        )
        missing = tolerance.return_loss / max(line.return_loss_db, 0.1) - 1
        yield Reason("return loss", says, line.return_loss_db, tolerance.return_loss, "dB", missing)
    if line.insertion_loss_db > tolerance.insertion_loss:
        says = (
            f"the insertion loss is {line.insertion_loss_db:.3f} dB (the winding alone {line.winding_insertion_loss_db:.3f} dB);"
            f" at most {tolerance.insertion_loss:g} dB is allowed"
        )
        over = line.insertion_loss_db / tolerance.insertion_loss - 1
        yield Reason("insertion loss", says, line.insertion_loss_db, tolerance.insertion_loss, "dB", over)


def _volts(made: Made, stress: Stress) -> Iterator[Reason]:
    wish, build = made.wish, made.build
    at = f"{show_power(wish.line_power)} at a line SWR of {wish.line_swr:g}"
    rating = stress.connector_peak_rating
    if rating is not None and stress.line_peak > rating:
        bears = show_power(rating**2 / (100 * wish.line_swr))
        says = (
            f"{at} put {stress.line_peak:.0f} V peak on the line; {build.line_connectors} connectors bear {rating:.0f} V peak,"
            f" that is {bears} at this SWR"
        )
        yield Reason("line voltage", says, stress.line_peak, rating, "V peak", stress.line_peak / rating - 1)
    cable = stress.cable_rms_rating
    if cable is not None and stress.line_rms > cable:
        says = f"{at} put {stress.line_rms:.0f} V r.m.s. on the line; {build.line} works at up to {cable:.0f} V r.m.s."
        yield Reason("line voltage", says, stress.line_rms, cable, "V r.m.s.", stress.line_rms / cable - 1)
    most = stress.connector_most_hz
    if most is not None and wish.band_hz[1] > most:
        says = (
            f"{build.line_connectors} connectors are usual up to {show_frequency(most)};"
            f" the band ends at {show_frequency(wish.band_hz[1])}"
        )
        yield Reason("connector", says, wish.band_hz[1], most, "Hz", wish.band_hz[1] / most - 1)


def _heat(made: Made, stress: Stress) -> Iterator[Reason]:
    wish = made.wish
    for flux in stress.flux:
        if flux.gauss > flux.guideline_gauss:
            says = (
                f"{flux.core} is driven to {flux.gauss:.1f} G ({flux.tesla * 1e3:.1f} mT) at {about(flux.hz)};"
                f" the guideline there is {flux.guideline_gauss:.1f} G"
            )
            yield Reason("flux", says, flux.gauss, flux.guideline_gauss, "G", flux.gauss / flux.guideline_gauss - 1)
    for core in stress.cores:
        if core.rise_c is not None and core.rise_c > wish.most_core_rise:
            says = (
                f"{core.core} takes {core.watts:.1f} W at {about(core.hz)} and gets {warmer(core.rise_c)};"
                f" at most {wish.most_core_rise:g} °C is wished"
            )
            yield Reason("core heat", says, core.rise_c, wish.most_core_rise, "°C", core.rise_c / wish.most_core_rise - 1)
    for resistor in stress.resistors:
        if resistor.kind is None:
            worst = max(resistor.watts, resistor.watts_unloaded)
            says = (
                f"the resistor of {resistor.ohm:g} Ω ({resistor.name}) takes {worst:.1f} W; no kind in the tables bears"
                f" {DERATING:g} times that"
            )
            yield Reason("resistor", says, worst, worst / DERATING, "W", 1.0)
