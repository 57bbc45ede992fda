"""A proof as text in the terminal: the decision in words first, then a compact table."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from harness.cli.print_diagnosis import diagnosis_lines
from harness.quantities import show_frequency
from harness.records import CouplingAt, Figure, Proof
from harness.records.figure_text import (
    WORDS,
    bound_text,
    coupling_text,
    figure_words,
    probability_text,
    tolerance_text,
    value_text,
)

__all__ = ["WORDS", "batch_lines", "bound_text", "proof_lines", "value_text"]


def proof_lines(proof: Proof) -> list[str]:
    """Return the lines that tell one proof: decision, figures, coupling at the bands, checks that failed, what fits."""
    low, high = proof.band_hz
    against = "against" if proof.decision == "undecided" else "to"
    lines = [f"{proof.unit} {proof.decision} {against} {proof.type.name}{_probability(proof.probability)}", ""]
    lines.append(f"  {'figure':<22} {'value':>10}  {'95 %':<20}  tolerance, {show_frequency(low)} to {show_frequency(high)}")
    lines += [_figure_line(name, figure) for name, figure in proof.figures.items()]
    if proof.coupling_at:
        lines.append("")
        lines += _coupling_lines(proof.coupling_at)
    lines += [
        f"  ~ {figure_words(name)} would be decided by: {figure.decides}"
        for name, figure in proof.figures.items()
        if figure.decides
    ]
    lines += [f"  ! {check.name}: {check.says}" for check in proof.checks if not check.ok]
    lines += diagnosis_lines(proof)
    if proof.uncertainty is not None:
        lines += [""] + [f"  {line}" for line in wrap(f"uncertainty: {proof.uncertainty.says}", 98, subsequent_indent="  ")]
    return lines


def _coupling_lines(found: Sequence[CouplingAt]) -> list[str]:
    """Return the coupling at the bands, three to a line, in columns."""
    cells = [f"{_at(at):<28}" for at in found]
    rows = ["  ".join(cells[start : start + 3]).rstrip() for start in range(0, len(cells), 3)]
    return [f"  {'coupling at' if number == 0 else '':<11}  {row}" for number, row in enumerate(rows)]


def _probability(probability: float | None) -> str:
    return "" if probability is None else f" (probability {probability_text(probability)})"


def _at(at: CouplingAt) -> str:
    value, half = coupling_text(at)
    return f"{show_frequency(at.hz)} {value} ± {half} dB" if half else f"{show_frequency(at.hz)} {value} dB"


def _figure_line(name: str, figure: Figure) -> str:
    mark = "" if figure.decision is None else figure.decision
    value, bound = value_text(name, figure), bound_text(name, figure)
    return f"  {figure_words(name):<22} {value:>10}  {bound:<20}  {tolerance_text(name, figure):<18} {mark}".rstrip()


def batch_lines(proofs: Sequence[Proof]) -> list[str]:
    """Return one line a unit: coupling, flatness, return loss, insertion loss, decision."""
    lines = [f"  {'unit':<10} {'coupling':>10} {'flatness':>10} {'return loss':>17} {'insertion loss':>15}  decision"]
    for proof in proofs:
        shown = {name: _shown(proof, name) for name in WORDS}
        lines.append(
            f"  {proof.unit:<10} {shown['coupling_db']:>10} {'±' + shown['flatness_db']:>10} {shown['return_loss_db']:>17} "
            f"{shown['insertion_loss_db']:>15}  {proof.decision}"
        )
    return lines


def _shown(proof: Proof, name: str) -> str:
    figure = proof.figures.get(name)
    if figure is None:
        return "—"
    text = value_text(name, figure)
    return bound_text(name, figure) if text == "—" else text
