"""Decision after JCGM 106: figures with their uncertainty against the type's tolerances. :func:`decide` is the one judge."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.analysis.advice import advice
from harness.analysis.levels import swr_of_return_loss
from harness.records import BudgetLine, Decision, Figure, SamplerType
from harness.records.proof import Check

Tolerance = tuple[float | None, float | None]
Real = NDArray[np.float64]
SURE = 0.975
"""The conformance probability that a decision needs: a guard band of 1.96 standard uncertainties (JCGM 106)."""
EVEN = 0.5
ROUNDING = 1e-12
BAD_IS_LOW = ("return_loss_db",)


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


def decide(probability: float) -> Decision:
    """Return the decision on a figure, or a unit, that meets what is demanded with this probability (JCGM 106).

    "conforms" at 0.975 or more, "does not conform" at 0.025 or less, else "undecided". A probability that is not a number decides
    nothing.
    """
    if probability >= SURE:
        return "conforms"
    return "does not conform" if probability <= 1 - SURE + ROUNDING else "undecided"


def meets(drawn: Real, tolerance: Tolerance) -> NDArray[np.bool_]:
    """Tell which draws of a figure lie in its tolerance, its ends included."""
    low, high = tolerance
    inside = np.isfinite(drawn)
    if low is not None:
        inside &= drawn >= low
    if high is not None:
        inside &= drawn <= high
    return inside


def decide_figures(
    values: Mapping[str, ArrayLike],
    drawn: Mapping[str, Real],
    type_: SamplerType,
    budget: Mapping[str, Sequence[BudgetLine]],
    as_bad: Mapping[str, float] | None = None,
) -> tuple[dict[str, Figure], float]:
    """Return the figures with interval, tolerance, probability and decision, and the probability that all are met at once.

    ``drawn``: figure → its draws, (n,), of the same n units. Coupling has a two-sided interval; the others the 95 % bound toward
    the side that is bad, the other end is None. ``as_bad``: figure → how likely a unit at its tolerance would look as bad.

    The probability is the share of draws within the tolerance: the conformance probability of JCGM 106. Draws of an extreme lie
    too far to the bad side, which is safe for "conforms" and unfair for "does not conform". So under a half it is the larger of
    this share and ``as_bad``, at most a half; at 0.025 a unit at the tolerance looks this bad once in forty times. All at once:
    the share of draws that meet all; under a half the larger of it and of the least of the figures' probabilities.
    """
    allowed = tolerances(type_)
    figures = {}
    together: NDArray[np.bool_] | None = None
    for name, given in values.items():
        value = float(given)  # type: ignore[arg-type]
        low, high = interval(name, value, drawn[name])
        good = meets(drawn[name], allowed[name])
        together = good if together is None else together & good
        probability = _fair(float(np.mean(good)), (as_bad or {}).get(name))
        decision = decide(probability)
        figures[name] = Figure(
            value=value,
            low=low,
            high=high,
            tolerance=allowed[name],
            decision=decision,
            probability=probability,
            decides=advice(budget.get(name, ())) if decision == "undecided" else None,
        )
    joint = float(np.mean(together)) if together is not None else 1.0
    least = min((figure.probability or 0.0 for figure in figures.values()), default=1.0)
    return figures, joint if as_bad is None else _fair(joint, least)


def _fair(share: float, as_bad: float | None) -> float:
    """Return the probability that decides, from the share of draws and how likely a good unit would look as bad."""
    return share if as_bad is None or share >= EVEN else min(EVEN, max(share, as_bad))


def interval(name: str, value: float, drawn: Real) -> tuple[float | None, float | None]:
    """Return (low, high) of a figure: 95 % two-sided for the coupling, else the 95 % bound toward the bad side."""
    if name == "coupling_db":
        low, high = np.quantile(drawn, [0.025, 0.975])
        return min(float(low), value), max(float(high), value)
    if name in BAD_IS_LOW:
        return min(float(np.quantile(drawn, 0.05)), value), None
    return None, max(float(np.quantile(drawn, 0.95)), value)


def unit_decision(figures: Iterable[Figure], probability: float, checks: Iterable[Check] = ()) -> Decision:
    """Return the decision on the unit from its figures and the probability that all are met at once.

    A figure that does not conform decides; else the joint probability does. A check that failed says that the sweeps do not tell
    one story: no unit conforms on such evidence, it stays undecided.
    """
    found = {figure.decision for figure in figures}
    if "does not conform" in found:
        return "does not conform"
    joint = decide(probability)
    if joint == "conforms" and ("undecided" in found or not all(check.ok for check in checks)):
        return "undecided"
    return joint
