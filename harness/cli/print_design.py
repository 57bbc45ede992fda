"""A design as text in the terminal: the decision and the cautions first, then figures, stress, the open port, yield and traps."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from harness.quantities import show_db, show_frequency, show_power
from harness.sampler.design import Alternative, CoreHeat, Design, Flux, Impossible, ResistorStress, Yield
from harness.sampler.design.words import about, warmer

WIDTH = 100


def design_lines(found: Design) -> list[str]:
    """Return the lines that tell one design."""
    return [
        *_decision(found),
        *_figures(found),
        *_stress(found),
        *_open_port(found),
        *_winding(found),
        *_traps(found),
        *_footing(found),
    ]


def wrapped(mark: str, text: str) -> list[str]:
    """Return text in lines of at most WIDTH characters; ``mark`` before the first, the others set in under it."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark), break_long_words=True, break_on_hyphens=False
    )


def impossible_lines(impossible: Impossible) -> list[str]:
    """Return why nothing meets the wish, with numbers, and the nearest designs that can be built."""
    lines = ["Nothing meets this wish:"]
    for reason in impossible.reasons:
        lines += wrapped("  ✗ ", reason.says)
    lines += ["", "Nearest that can be built:" if impossible.nearest else "Nothing near it can be built either."]
    for other in impossible.nearest:
        lines += wrapped("  → ", _alternative(other))
    return lines


def _alternative(other: Alternative) -> str:
    return f"{other.changed}: {other.build.title}; {show_db(other.coupling_db)}, flat to ± {show_db(other.flatness_db)}"


def _decision(found: Design) -> list[str]:
    wish = found.wish
    low, high = (show_frequency(edge) for edge in wish.band_hz)
    wished = f"{wish.coupling_db:g} dB, {low} to {high}, {show_power(wish.line_power)} at a line SWR up to {wish.line_swr:g}"
    lines = [found.build.title, f"  {'meets' if found.feasible else 'does NOT meet'} the wish: {wished}", ""]
    for reason in () if found.impossible else found.reasons:
        lines += wrapped("  ✗ ", reason.says)
    if found.impossible:
        lines += [*impossible_lines(found.impossible), ""]
    for caution in found.cautions:
        lines += wrapped("  ! ", caution)
    return lines


def _figures(found: Design) -> list[str]:
    limits, seen, line, units = found.wish.tolerances, found.coupling.into_50, found.line, found.predicted
    wished = found.wish.coupling_db
    rows = [
        (
            "coupling (nominal)",
            show_db(seen.nominal_db),
            f"{wished - limits.coupling_error:g} to {wished + limits.coupling_error:g} dB",
        ),
        ("flatness, ±", show_db(seen.flatness_db), f"at most {limits.flatness:g} dB"),
        ("return loss, worst", show_db(line.return_loss_db, 1), f"at least {limits.return_loss:g} dB"),
        ("insertion loss, worst", show_db(line.insertion_loss_db, 3), f"at most {limits.insertion_loss:g} dB"),
    ]
    names = ("coupling", "flatness", "return loss", "insertion loss")
    lines = ["", f"  {'figure':<22} {'design':>10}  {'tolerance':<18}" + ("  units that meet it" if units else "")]
    for (what, value, allowed), name in zip(rows, names, strict=True):
        lines.append(f"  {what:<22} {value:>10}  {allowed:<18}{_share(units, name)}".rstrip())
    if units is not None:
        lines.append(f"  {'all of them':<22} {'':>10}  {'':<18}{units.share:>10.1%}   tight: {units.tight}")
    return [*lines, *_beside(found)]


def _share(units: Yield | None, name: str) -> str:
    return "" if units is None or name not in units.each else f"{units.each[name]:>10.1%}"


def _beside(found: Design) -> list[str]:
    wish, seen, low, line = found.wish, found.coupling.into_50, found.low_end, found.line
    first, last = (show_frequency(edge) for edge in wish.band_hz)
    weak = f"{show_db(low.low_edge_at_low_a_l_db)} at {first} with A_L 25 % low"
    alone = f"return loss {show_db(line.winding_return_loss_db, 1)}"
    lines = [
        "",
        _row("at the edges", f"{show_db(seen.low_edge_db)} at {first}, {show_db(seen.high_edge_db)} at {last}; {weak}"),
        _row("low corner, −3 dB", f"{about(low.corner_hz)}; {about(low.corner_at_low_a_l_hz)} with A_L 25 % low"),
        _row("winding alone", f"{line.winding_series_ohm * 1e3:.1f} mΩ in series with the line, {alone}"),
        *_readings(found),
    ]
    units = found.predicted
    if units is not None:
        few, middle, many = units.coupling_db
        right = f"{units.counted_right:.1%} of those counted right pass"
        lines.append(_row("units, predicted", f"nine in ten from {few:.2f} to {many:.2f} dB (middle {middle:.2f} dB); {right}"))
    return lines


def _readings(found: Design) -> list[str]:
    seen = found.coupling
    once, twice = show_db(seen.into_50.nominal_db), show_db(seen.with_tee_load.nominal_db)
    beside, alone = show_db(seen.scope_and_load.nominal_db), show_db(seen.scope_alone.nominal_db)
    return [
        _row("it reads", f"{once} into 50 Ω · {twice} with a second 50 Ω left on"),
        _row("", f"{beside} on a scope beside 50 Ω · {alone} on a scope alone"),
    ]


def _row(what: str, says: str) -> str:
    return f"  {what:<24} {says}"


def _stress(found: Design) -> list[str]:
    wish, stress, build = found.wish, found.stress, found.build
    peak = "" if stress.connector_peak_rating is None else f" ({build.line_connectors} bears {stress.connector_peak_rating:.0f})"
    works = "" if stress.cable_rms_rating is None else f" ({build.line} bears {stress.cable_rms_rating:.0f})"
    volts = f"{stress.line_peak:.0f} V peak{peak}, {stress.line_rms:.0f} V r.m.s.{works}"
    port = found.sample
    pad = f"; {port.attenuator_db:g} dB before an instrument that bears {show_power(port.limit)}" if port.attenuator_db else ""
    return [
        "",
        f"At full power, {show_power(wish.line_power)} at a line SWR of {wish.line_swr:g}",
        _row("line", f"{volts}, {stress.current:.2f} A"),
        *(_row(f"flux in {flux.core}", _flux(flux)) for flux in stress.flux),
        *(_row(f"core {core.core}", _core(core)) for core in stress.cores),
        *(_row(f"{one.name}, {one.ohm:g} Ω", _resistor(one)) for one in stress.resistors),
        _row("sample port", f"{show_power(port.watts)}, {port.volts:.2f} V r.m.s. into 50 Ω{pad}"),
        _row("looking into it", f"return loss at least {show_db(port.match_db, 1)}"),
    ]


def _flux(flux: Flux) -> str:
    seen = f"{flux.tesla * 1e3:.1f} mT ({flux.gauss:.0f} G) at {about(flux.hz)}"
    return f"{seen}; guideline {flux.guideline_gauss:.0f} G"


def _core(core: CoreHeat) -> str:
    if core.watts <= 0:
        return "heat not known: no loss in the tables"
    return f"{show_power(core.watts)} at {about(core.hz)}" + ("" if core.rise_c is None else f", {warmer(core.rise_c)}")


def _resistor(one: ResistorStress) -> str:
    kind = "no kind in the tables bears it" if one.kind is None else f"{one.count} × {one.kind}" if one.count > 1 else one.kind
    rise = "" if one.rise_c is None else f", {warmer(one.rise_c)}"
    return f"{show_power(one.watts)}; {show_power(one.watts_unloaded)} with nothing on the port: {kind}{rise}"


def _open_port(found: Design) -> list[str]:
    bare = found.unloaded
    word = "stays harmless" if bare.safe else "NEVER transmit like this"
    head = ("stray", "volts r.m.s.", "worst at", "core heat", "return loss", "insertion loss")
    rows = [
        (
            f"{at.stray * 1e12:.0f} pF",
            f"{at.volts:.0f} V",
            about(at.volts_hz),
            show_power(at.core_heat) if at.core_heat > 0 else "not known",
            show_db(at.return_loss_db, 1),
            show_db(at.insertion_loss_db),
        )
        for at in bare.at
    ]
    return ["", f"With nothing on the sample port ({word}), by stray capacitance", *table(head, rows, frozenset())]


def _winding(found: Design) -> list[str]:
    winding, build = found.winding, found.build
    fit = "" if winding.most_turns is None else f"; one layer holds {winding.most_turns}"
    gap = "" if winding.gap_degrees is None else f", {winding.gap_degrees:.0f}° left open"
    lines = ["", "The winding", f"  turns                    {build.turns} on {build.core}{fit}{gap}"]
    if build.second_turns is not None:
        more = "" if winding.second_most_turns is None else f"; one layer holds {winding.second_most_turns}"
        lines.append(f"  second winding           {build.second_turns} on {build.second_core}{more}")
    lines.append(
        f"  wire                     {winding.wire_length * 100:.0f} cm of AWG {build.wire_awg} with two tails of 50 mm, "
        f"{winding.wire_wavelengths:.3f} wavelengths at the high edge"
    )
    if winding.hole is not None:
        lines.append(
            f"  hole left                {winding.hole * 1e3:.2f} mm for the line of {winding.line_diameter * 1e3:.2f} mm"
        )
    return lines


def _traps(found: Design) -> list[str]:
    return ["", *wrapped("", found.practice.says)]


def _footing(found: Design) -> list[str]:
    lines = ["", "What this stands on"]
    if found.memory:
        lines += wrapped("  from memory, look it up: ", _joined(found.memory))
    if found.assumptions:
        lines += wrapped("  assumed, no source: ", _joined(found.assumptions))
    units = found.predicted
    if units is not None:
        lines += wrapped("  yield: ", f"{units.draws} units drawn, seed {units.seed}")
    return lines


def _joined(texts: Iterable[str]) -> str:
    return "; ".join(texts) + "."


def table(head: Sequence[str], rows: Sequence[Sequence[str]], left: frozenset[int]) -> list[str]:
    """Return rows in columns as wide as they need; columns in ``left`` begin at the left, the others end at the right."""
    every = [head, *rows]
    widths = [max(len(row[column]) for row in every) for column in range(len(head))]

    def line(row: Sequence[str]) -> str:
        cells = (
            text.ljust(width) if i in left else text.rjust(width) for i, (text, width) in enumerate(zip(row, widths, strict=True))
        )
        return ("  " + "  ".join(cells)).rstrip()

    return [line(row) for row in every]
