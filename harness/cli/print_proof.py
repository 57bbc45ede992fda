"""A proof as text in the terminal: the decision in words first, then a compact table."""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.quantities import show_frequency
from harness.records import Figure, Proof

WORDS = {
    "coupling_db": ("coupling (nominal)", "dB", 2),
    "flatness_db": ("flatness, ±", "dB", 3),
    "return_loss_db": ("return loss, worst", "dB", 1),
    "swr": ("SWR, worst", "", 3),
    "insertion_loss_db": ("insertion loss, worst", "dB", 3),
}


def proof_lines(proof: Proof) -> list[str]:
    """Return the lines that tell one proof: decision, figures, coupling at the bands, checks that failed, faults."""
    low, high = proof.band_hz
    lines = [f"{proof.unit} {proof.decision} to {proof.type.name}", ""]
    lines.append(f"  {'figure':<22} {'value':>12}  tolerance, {show_frequency(low)} to {show_frequency(high)}")
    lines += [_figure_line(name, figure) for name, figure in proof.figures.items()]
    if proof.coupling_at:
        lines.append("")
        lines.append("  coupling at  " + " · ".join(f"{show_frequency(at.hz)} {at.db:.2f} dB" for at in proof.coupling_at))
    lines += [f"  ! {check.name}: {check.says}" for check in proof.checks if not check.ok]
    lines += [f"  ? {fault.says} {fault.try_}" for fault in proof.faults]
    return lines


def _figure_line(name: str, figure: Figure) -> str:
    words, unit, digits = WORDS.get(name, (name, "", 3))
    value = _number(figure.value, digits, unit)
    mark = "" if figure.decision is None else figure.decision
    return f"  {words:<22} {value:>12}  {_tolerance(figure, digits, unit):<20} {mark}".rstrip()


def _tolerance(figure: Figure, digits: int, unit: str) -> str:
    low, high = figure.tolerance
    if low is not None and high is not None:
        return f"{low:g} to {high:g} {unit}".rstrip()
    if low is not None:
        return f"at least {low:g} {unit}".rstrip()
    if high is not None:
        return f"at most {high:.{digits}g} {unit}".rstrip()
    return "—"


def _number(value: float, digits: int, unit: str) -> str:
    text = "∞" if math.isinf(value) else f"{value:.{digits}f}"
    return f"{text} {unit}".rstrip()


def batch_lines(proofs: Sequence[Proof]) -> list[str]:
    """Return one line a unit: coupling, flatness, return loss, insertion loss, decision."""
    lines = [f"  {'unit':<10} {'coupling':>10} {'flatness':>10} {'return loss':>12} {'insertion loss':>15}  decision"]
    for proof in proofs:
        shown = {name: _shown(proof, name) for name in WORDS}
        lines.append(
            f"  {proof.unit:<10} {shown['coupling_db']:>10} {'±' + shown['flatness_db']:>10} {shown['return_loss_db']:>12} "
            f"{shown['insertion_loss_db']:>15}  {proof.decision}"
        )
    return lines


def _shown(proof: Proof, name: str) -> str:
    _, unit, digits = WORDS[name]
    figure = proof.figures.get(name)
    return "—" if figure is None else _number(figure.value, digits, unit)
