"""Small wordings that reasons and cautions share."""

from __future__ import annotations

from harness.quantities import show_frequency

BEYOND_C = 200.0
"""°C above which the guide's formula for the temperature rise says nothing but that the core is lost (a choice)."""


def about(hz: float) -> str:
    """Return a frequency to three digits: "6.44 MHz"."""
    return show_frequency(float(f"{hz:.3g}"))


def warmer(rise_c: float) -> str:
    """Return "12 °C warmer", or that the core is lost where the formula has left its range."""
    if rise_c > BEYOND_C:
        return f"more than {BEYOND_C:.0f} °C warmer, which no core bears"
    return f"{rise_c:.0f} °C warmer"
