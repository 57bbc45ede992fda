"""Figures in words, the same on the terminal, on the bench page and on the sheets.

Digits follow the uncertainty (GUM 7.2.6: two digits of it); a bound is rounded to the side that claims less. A return loss is
never given as ±: it has a bound, "at least", and where the bound is as good as all that is known, nothing else.
"""

from __future__ import annotations

import math

from harness.records.figure import CouplingAt, Figure, decimals_of

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


def figure_words(name: str) -> str:
    """Return what a figure is called."""
    return WORDS[name][0] if name in WORDS else name


def value_text(name: str, figure: Figure) -> str:
    """Return a figure's value with as many digits as its uncertainty allows; "—" for a return loss that has a bound only."""
    if name in ("return_loss_db", "swr") and _unbounded(name, figure):
        return "—"
    return _number(figure.value, _decimals(name, figure), _unit(name))


def bound_text(name: str, figure: Figure) -> str:
    """Return the interval of a figure in words: "29.98 to 30.26 dB", "at least 31.0 dB", "at most 0.11 dB"; empty without one."""
    unit, digits = _unit(name), _decimals(name, figure)
    if figure.low is not None and figure.high is not None:
        return f"{_number(_down(figure.low, digits), digits)} to {_number(_up(figure.high, digits), digits, unit)}"
    if figure.low is not None:
        return f"at least {_number(_down(figure.low, digits), digits, unit)}"
    if figure.high is not None:
        return f"at most {_number(_up(figure.high, digits), digits, unit)}"
    return ""


def tolerance_text(name: str, figure: Figure) -> str:
    """Return what a figure must meet: "29 to 31 dB", "at least 25 dB", "at most 0.1 dB"; "—" without a tolerance."""
    low, high = figure.tolerance
    unit, digits = _unit(name), WORDS[name][2] if name in WORDS else MOST_DECIMALS
    if low is not None and high is not None:
        return f"{low:g} to {high:g} {unit}".rstrip()
    if low is not None:
        return f"at least {low:g} {unit}".rstrip()
    if high is not None:
        return f"at most {high:.{digits}g} {unit}".rstrip()
    return "—"


def coupling_text(at: CouplingAt) -> tuple[str, str]:
    """Return the coupling at one frequency and half of its interval, both in dB and without the unit; "" without an interval."""
    if at.low is None or at.high is None:
        return f"{at.db:.2f}", ""
    half = (at.high - at.low) / 2
    digits = max(1, decimals_of(half, MOST_DECIMALS))
    digits = max(1, decimals_of(_up(half, digits), MOST_DECIMALS))  # 0.0991 goes up to 0.10, not to 0.100
    return f"{at.db:.{digits}f}", f"{_up(half, digits):.{digits}f}"


def probability_text(probability: float) -> str:
    """Return a probability as far as it can be told."""
    return "above 0.999" if probability > 0.999 else "below 0.001" if probability < 0.001 else f"{probability:.3f}"


def _unit(name: str) -> str:
    return WORDS[name][1] if name in WORDS else ""


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


def _number(value: float, digits: int, unit: str = "") -> str:
    text = "∞" if math.isinf(value) else f"{value:.{digits}f}"
    return f"{text} {unit}".rstrip()
