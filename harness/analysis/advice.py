"""What would decide an undecided figure: the largest lines of its budget, in words of what can be done about them."""

from __future__ import annotations

from collections.abc import Sequence

from harness.analysis import inputs
from harness.records import BudgetLine

WORTH_NAMING = 0.25
_CHARACTERISE = "characterise the calibration, or calibrate with a better kit, and state the smaller residual under [uncertainty]"
_DO = {
    inputs.DIRECTIVITY: f"a better calibration load: {_CHARACTERISE}",
    inputs.SOURCE_MATCH: f"a better short and open: {_CHARACTERISE}",
    inputs.REFLECTION: f"a better short and open: {_CHARACTERISE}",
    inputs.TRANSMISSION: f"a better thru: {_CHARACTERISE}",
    inputs.RECEIVER: "an attenuator on analyser 2 before the calibration, so that less comes back from it",
    inputs.RECEIVER_BOUND: "a calibration that measures the receiver match, or an attenuator on analyser 2",
    inputs.ISOLATION: "isolation swept in the calibration, and cables kept apart",
    inputs.LINEARITY: "an analyser whose linearity is stated better, or a calibration at the level of the reading",
    inputs.CONNECTOR: "repeat connections: a larger hookup under [repeats], clean connectors, a torque wrench",
    inputs.CABLE: "cables that stay where they are, and repeats: a larger hookup under [repeats]",
    inputs.DRIFT: "a fresh calibration after the analyser has warmed up",
    inputs.TEMPERATURE: "a calibration at the temperature of the proof",
    inputs.NOISE: "more averages under [sweep]",
}


def advice(budget: Sequence[BudgetLine]) -> str | None:
    """Return what would decide a figure: its budget's largest line and others above a quarter; None without a budget."""
    named = [line for number, line in enumerate(budget) if number == 0 or line.share >= WORTH_NAMING]
    if not named:
        return None
    return "; ".join(f"{line.input} makes {line.share:.0%} of the variance: {_what_to_do(line.input)}" for line in named)


def _what_to_do(group: str) -> str:
    if group.startswith("load "):
        return f"a better {group}, or {group} swept in the calibration (measured = true)"
    if group.startswith("adapter "):
        return f"a Touchstone file of the {group}, or a better one with a smaller bound"
    if group.startswith("S33"):
        return "the sweep sample"
    if group.startswith(("S22", "S32")):
        return "the sweep coupled-far"
    return _DO[group]
