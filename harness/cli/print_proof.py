"""A proof as text in the terminal: the decision in words first, then a compact table.

Digits follow the uncertainty (GUM 7.2.6: two digits of it); a bound is rounded to the side that claims less. A return loss is
never given as ±: it has a bound, "at least", and where the bound is as good as all that is known, nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from textwrap import wrap

from harness.quantities import show_frequency
from harness.records import CouplingAt, Figure, Proof
from harness.records.figure import decimals_of

WORDS = {
    "coupling_db": ("coupling (nominal)", "dB", 2),
    "flatness_db": ("flatness, ±", "dB", 3),
    "return_loss_db": ("return loss, worst", "dB", 1),
    "swr": ("SWR, worst", "", 3),
    "insertion_loss_db": ("insertion loss, worst", "dB", 3),
}
"""Figure → words, unit, and the decimals where no uncertainty is known."""
MOST_DECIMALS = 3
UNBOUNDED_DB = 6.02
"""A return loss whose bound is so much lower is not told from a perfect match: its error is as large as the reflection."""


def proof_lines(proof: Proof) -> list[str]:
    """Return the lines that tell one proof: decision, figures, coupling at the bands, checks that failed, faults."""
    low, high = proof.band_hz
    lines = [f"{proof.unit} {proof.decision} to {proof.type.name}{_probability(proof.probability)}", ""]
    lines.append(f"  {'figure':<22} {'value':>10}  {'95 %':<20}  tolerance, {show_frequency(low)} to {show_frequency(high)}")
    lines += [_figure_line(name, figure) for name, figure in proof.figures.items()]
    if proof.coupling_at:
        lines.append("")
        lines += _coupling_lines(proof.coupling_at)
    lines += [
        f"  ~ {_words(name)} would be decided by: {figure.decides}" for name, figure in proof.figures.items() if figure.decides
    ]
    lines += [f"  ! {check.name}: {check.says}" for check in proof.checks if not check.ok]
    lines += [f"  ? {fault.says} {fault.try_}" for fault in proof.faults]
    if proof.uncertainty is not None:
        lines += [""] + [f"  {line}" for line in wrap(f"uncertainty: {proof.uncertainty.says}", 98, subsequent_indent="  ")]
    return lines


def _coupling_lines(found: Sequence[CouplingAt]) -> list[str]:
    """Return the coupling at the bands, three to a line, in columns."""
    cells = [f"{_at(at):<28}" for at in found]
    rows = ["  ".join(cells[start : start + 3]).rstrip() for start in range(0, len(cells), 3)]
    return [f"  {'coupling at' if number == 0 else '':<11}  {row}" for number, row in enumerate(rows)]


def value_text(name: str, figure: Figure) -> str:
    """Return a figure's value with as many digits as its uncertainty allows; "—" for a return loss that has a bound only."""
    if name in ("return_loss_db", "swr") and _unbounded(name, figure):
        return "—"
    return _number(figure.value, _decimals(name, figure), WORDS[name][1] if name in WORDS else "")


def bound_text(name: str, figure: Figure) -> str:
    """Return the interval of a figure in words: "29.98 to 30.26 dB", "at least 31.0 dB", "at most 0.11 dB"; empty without one."""
    unit = WORDS[name][1] if name in WORDS else ""
    digits = _decimals(name, figure)
    if figure.low is not None and figure.high is not None:
        return f"{_number(_down(figure.low, digits), digits)} to {_number(_up(figure.high, digits), digits, unit)}"
    if figure.low is not None:
        return f"at least {_number(_down(figure.low, digits), digits, unit)}"
    if figure.high is not None:
        return f"at most {_number(_up(figure.high, digits), digits, unit)}"
    return ""


def _words(name: str) -> str:
    return WORDS[name][0] if name in WORDS else name


def _probability(probability: float | None) -> str:
    if probability is None:
        return ""
    told = "above 0.999" if probability > 0.999 else "below 0.001" if probability < 0.001 else f"{probability:.3f}"
    return f" (probability {told})"


def _unbounded(name: str, figure: Figure) -> bool:
    if name == "return_loss_db":
        return figure.low is not None and figure.value - figure.low >= UNBOUNDED_DB
    return figure.high is not None and _reflection(figure.high) >= 2 * _reflection(figure.value)


def _reflection(swr: float) -> float:
    return (swr - 1) / (swr + 1)


def _decimals(name: str, figure: Figure) -> int:
    if figure.half_width is None:
        return WORDS[name][2] if name in WORDS else MOST_DECIMALS
    return max(1, decimals_of(figure.half_width, MOST_DECIMALS))


def _down(value: float, digits: int) -> float:
    return math.floor(value * 10**digits) / 10**digits if math.isfinite(value) else value


def _up(value: float, digits: int) -> float:
    return math.ceil(value * 10**digits) / 10**digits if math.isfinite(value) else value


def _figure_line(name: str, figure: Figure) -> str:
    unit = WORDS[name][1] if name in WORDS else ""
    mark = "" if figure.decision is None else figure.decision
    value, bound = value_text(name, figure), bound_text(name, figure)
    tolerance = _tolerance(figure, WORDS[name][2] if name in WORDS else MOST_DECIMALS, unit)
    return f"  {_words(name):<22} {value:>10}  {bound:<20}  {tolerance:<18} {mark}".rstrip()


def _at(at: CouplingAt) -> str:
    if at.low is None or at.high is None:
        return f"{show_frequency(at.hz)} {at.db:.2f} dB"
    half = (at.high - at.low) / 2
    digits = max(1, decimals_of(half, MOST_DECIMALS))
    return f"{show_frequency(at.hz)} {at.db:.{digits}f} ± {_up(half, digits):.{digits}f} dB"


def _tolerance(figure: Figure, digits: int, unit: str) -> str:
    low, high = figure.tolerance
    if low is not None and high is not None:
        return f"{low:g} to {high:g} {unit}".rstrip()
    if low is not None:
        return f"at least {low:g} {unit}".rstrip()
    if high is not None:
        return f"at most {high:.{digits}g} {unit}".rstrip()
    return "—"


def _number(value: float, digits: int, unit: str = "") -> str:
    text = "∞" if math.isinf(value) else f"{value:.{digits}f}"
    return f"{text} {unit}".rstrip()


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
