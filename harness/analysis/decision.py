"""Decision: figures against the type's tolerances. :func:`decide` is the one place where a figure is judged."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from numpy.typing import ArrayLike

from harness.analysis.levels import swr_of_return_loss
from harness.records import Decision, Figure, SamplerType
from harness.records.proof import Check

Tolerance = tuple[float | None, float | None]
_WORST_FIRST: tuple[Decision, ...] = ("does not conform", "undecided")


def tolerances(type_: SamplerType) -> dict[str, Tolerance]:
    """Return figure → (least allowed, most allowed), None where that side is free. The SWR's is that of the return loss."""
    asked = type_.tolerance
    return {
        "coupling_db": (asked.coupling - asked.coupling_error, asked.coupling + asked.coupling_error),
        "return_loss_db": (asked.return_loss, None),
        "flatness_db": (None, asked.flatness),
        "insertion_loss_db": (None, asked.insertion_loss),
        "swr": (None, float(swr_of_return_loss(asked.return_loss))),
    }


def decide(value: float, tolerance: Tolerance) -> Decision:
    """Return "conforms" where the value lies in the tolerance, its ends included, else "does not conform".

    A value that is not a number does not conform.
    """
    low, high = tolerance
    meets = (low is None or value >= low) and (high is None or value <= high) and value == value
    return "conforms" if meets else "does not conform"


def decide_figures(values: Mapping[str, ArrayLike], type_: SamplerType) -> dict[str, Figure]:
    """Return the figures with tolerance and decision, in the order of ``values``; each value is one number."""
    allowed = tolerances(type_)
    figures = {}
    for name, given in values.items():
        value = float(given)  # type: ignore[arg-type]
        figures[name] = Figure(value=value, tolerance=allowed[name], decision=decide(value, allowed[name]))
    return figures


def unit_decision(figures: Iterable[Figure], checks: Iterable[Check] = ()) -> Decision:
    """Return the worst decision of the figures; a figure without decision counts for nothing.

    A check that failed says that the sweeps do not tell one story: no unit conforms on such evidence, it stays undecided.
    """
    found: set[Decision | None] = {figure.decision for figure in figures}
    if not all(check.ok for check in checks):
        found.add("undecided")
    return next((worst for worst in _WORST_FIRST if worst in found), "conforms")
