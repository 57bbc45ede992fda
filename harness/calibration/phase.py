"""The straight line in an angle over frequency that a cable makes: its delay, and where it starts at 0 Hz."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

RIPPLE_BOUND = 0.2
"""Radians by which source match and directivity of a raw analyser (−20 and −20 dB) may turn a total reflection."""
KNOWN_WITHIN_DEGREES = 70.0


@dataclass(frozen=True)
class PhaseLine:
    """A straight line through an angle. ``delay``: one-way, s. ``at_zero_degrees``: the line at 0 Hz, −180 to 180.

    ``ripple_degrees``: root mean square of what is left. ``at_zero_is_known``: the band reaches low enough for the value at
    0 Hz to mean something. ``delay_slack``: how far ripple can pull the difference of two delays, s.
    """

    delay: float
    at_zero_degrees: float
    ripple_degrees: float
    at_zero_is_known: bool
    delay_slack: float


def fit_phase_line(frequency_hz: NDArray[np.float64], trace: NDArray[np.complex128]) -> PhaseLine:
    """Return the least-squares line through the unwrapped angle of a reflection, shape (F,) with F ≥ 3."""
    angle = np.unwrap(np.angle(trace))
    scale = float(frequency_hz[-1])
    columns = np.stack([np.ones_like(frequency_hz), frequency_hz / scale], axis=1)
    weights = np.linalg.pinv(columns)
    start, slope = weights @ angle
    left = angle - columns @ np.array([start, slope])
    # Ripple of either sign at every point pulls the fitted line at most by the sum of the weights' magnitudes.
    pull_start, pull_slope = RIPPLE_BOUND * np.abs(weights).sum(axis=1)
    to_delay = 1 / (4 * np.pi * scale)
    return PhaseLine(
        delay=float(-slope * to_delay),
        at_zero_degrees=float(np.degrees(np.angle(np.exp(1j * start)))),
        ripple_degrees=float(np.degrees(np.sqrt(np.mean(left**2)))),
        at_zero_is_known=bool(np.degrees(pull_start) <= KNOWN_WITHIN_DEGREES),
        delay_slack=float(2 * pull_slope * to_delay),
    )
