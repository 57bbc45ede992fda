"""A search as text in the terminal: the best in a table, then why the others failed, or why nothing does and what comes near."""

from __future__ import annotations

from harness.cli.print_design import impossible_lines, table, wrapped
from harness.sampler.design import Design, SearchResult

HEAD = ("", "turns", "core", "arrangement", "AWG", "coupling", "flatness", "return", "insertion", "yield", "core", "open port")


def ranking_lines(result: SearchResult, pick: int, rule: str = "") -> list[str]:
    """Return the ranking, the picked one marked, then the failures by kind of reason.

    ``rule``: what the rule of the trade gives, told where nothing meets the wish.
    """
    if result.impossible is not None:
        lines = [*impossible_lines(result.impossible), *(["", *wrapped("  ", rule)] if rule else [])]
    else:
        lines = [f"{len(result.designs)} of the designs that meet the wish, best first ({result.tried} tried)"]
        lines += table(HEAD, [_row(found, place, pick) for place, found in enumerate(result.designs, start=1)], frozenset({2, 3}))
    if result.failures:
        lines += ["", "Why others failed, the nearest of each kind"]
    for failure in result.failures:
        which = "" if failure.says.startswith(failure.nearest) else f"{failure.nearest}: "
        lines += wrapped(f"  {failure.count:>4} × ", f"{failure.kind}: {which}{failure.says}")
    return lines


def _row(found: Design, place: int, pick: int) -> tuple[str, ...]:
    build, seen, line = found.build, found.coupling.into_50, found.line
    turns = str(build.turns) if build.second_turns is None else f"{build.turns}, {build.second_turns}"
    core = build.core if build.stack == 1 else f"{build.stack} × {build.core}"
    rises = [core_heat.rise_c for core_heat in found.stress.cores if core_heat.rise_c is not None]
    return (
        f"{'→' if place == pick else ' '}{place}",
        turns,
        core,
        build.kind,
        str(build.wire_awg),
        f"{seen.nominal_db:.2f} dB",
        f"±{seen.flatness_db:.2f}",
        f"{line.return_loss_db:.1f}",
        f"{line.insertion_loss_db:.3f}",
        "—" if found.predicted is None else f"{found.predicted.share:.1%}",
        f"+{max(rises):.0f} °C" if rises else "—",
        f"{found.unloaded.volts:.0f} V",
    )
