"""What the bench page is told of a proof: the decision in words, and the figures as rows."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from harness.cli.print_diagnosis import fault_sentences
from harness.cli.print_proof import WORDS, bound_text, value_text

if TYPE_CHECKING:
    from harness.operators.page import End, PageOperator
    from harness.proving import Filed


def unit_on_page(page: PageOperator | None) -> Callable[[str], None]:
    """Return what to call with each unit's serial before its run; it does nothing without a page."""
    return (lambda unit: None) if page is None else page.for_unit


def told_on_page(page: PageOperator | None, filed: Filed) -> None:
    """Show how the run has ended, where there is a page."""
    if page is not None:
        page.end(end_of(filed))


def noted_on_page(page: PageOperator | None, filed: Filed) -> None:
    """Put one unit of a batch into the page's notes, where there is a page."""
    if page is not None:
        page.note(_decision(filed))


def _decision(filed: Filed) -> str:
    proof = filed.proof
    return (
        f"{proof.unit}: {proof.decision}"
        if proof.decision == "undecided"
        else f"{proof.unit} {proof.decision} to {proof.type.name}"
    )


def end_of(filed: Filed) -> End:
    """Return a proof as the end of its run: decision, drift, failed checks and faults in words, figures as rows."""
    from harness.operators.page import End
    from harness.sheets.bench_page import Row

    proof = filed.proof
    lines = _drift(proof.drift)
    lines += [f"{check.name}: {check.says}" for check in proof.checks if not check.ok]
    lines += [sentence for fault in proof.faults for sentence in fault_sentences(fault, proof)]
    rows = [
        Row(WORDS[name][0] if name in WORDS else name, value_text(name, figure), bound_text(name, figure), figure.decision or "")
        for name, figure in proof.figures.items()
    ]
    return End(_decision(filed), tuple(lines), tuple(rows))


def _drift(found: dict[str, Any] | None) -> list[str]:
    """Return what a recheck has found, in a line or two; nothing where nothing was compared."""
    if found is None or found.get("reference") is None:
        return []
    from harness.records.drift import Drift

    drift = Drift.model_validate(found)
    since = f"since its reference proof of {drift.reference_when[:10]}" if drift.reference_when else "since its reference proof"
    if not drift.drifted:
        return [f"It has not drifted {since}."]
    said = [drift.changed, *(one.says for one in drift.explanation[:1])]
    first, *rest = [f"{one.rstrip('.')}." for one in said if one]
    return [f"It has drifted {since}: {first}", *(f"{one[:1].upper()}{one[1:]}" for one in rest)]
