"""What the bench page is told of a proof: the decision in words, and the figures as rows."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

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
    """Return a proof as the end of its run: decision, failed checks and faults in words, figures as rows."""
    from harness.operators.page import End
    from harness.sheets.bench_page import Row

    proof = filed.proof
    lines = [f"{check.name}: {check.says}" for check in proof.checks if not check.ok]
    lines += [f"{fault.says} {fault.try_}" for fault in proof.faults]
    rows = [
        Row(WORDS[name][0] if name in WORDS else name, value_text(name, figure), bound_text(name, figure), figure.decision or "")
        for name, figure in proof.figures.items()
    ]
    return End(_decision(filed), tuple(lines), tuple(rows))
