"""From the wave out of the sample port to the line: current, voltage, forward and delivered power at line out.

The sampler reads current. With the reflection Γ of the line's load at line out, S the unit's three-port, and i0 = abs(b)/abs(S31)
the wave that a matched line would carry (√W)::

    I·√Z0 = i0·abs(S21·S31·(1 − Γ) / (S31·(1 − S22·Γ) + S32·Γ·S21))      for an ideal sampler (S32 = −S31): i0
    V/√Z0 = I·√Z0·abs((1 + Γ)/(1 − Γ))
    forward = (I·√Z0)²/abs(1 − Γ)²,  delivered = forward·(1 − abs(Γ)²)

With abs(Γ) known and its phase not, delivered power lies between i0²/s and i0²·s for the SWR s, ± 10·log10(s) in dB, and its mean
over all phases is i0² (the Poisson kernel has the mean 1); the mean of the forward power is i0²/(1 − abs(Γ)²); that of the
voltage in dB is i0's. Those means are the values; the intervals take every phase as equally likely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.levels import Array

Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class OnLine:
    """Factors: on the current wave i0 (``current``, ``voltage``: A and V over i0/√Z0 and i0·√Z0), on i0² (powers)."""

    current: Array
    voltage: Array
    forward: Array
    delivered: Array


def ideal_matrix(points: int) -> Complex:
    """Return the three-port of a sampler of which nothing is known but that it reads current: only ratios are used of it."""
    matrix = np.zeros((points, 3, 3), dtype=np.complex128)
    matrix[:, 0, 1] = matrix[:, 1, 0] = 1.0
    matrix[:, 2, 0], matrix[:, 2, 1] = 1.0, -1.0
    return matrix


def reflections(rng: np.random.Generator, size: Array, draws: int) -> Complex:
    """Return reflections of these magnitudes (F,), every phase equally likely, shape (draws, F)."""
    return np.asarray(size * np.exp(2j * np.pi * rng.uniform(size=(draws, size.size))), dtype=np.complex128)


def on_line(matrix: Complex, gamma: Complex) -> OnLine:
    """Return what the line carries for reflections Γ at line out; ``matrix`` (F, 3, 3), ``gamma`` broadcasts with (F,)."""
    s21, s22, s31, s32 = matrix[:, 1, 0], matrix[:, 1, 1], matrix[:, 2, 0], matrix[:, 2, 1]
    seen = s31 * (1 - s22 * gamma) + s32 * gamma * s21
    current = np.abs(s21 * s31 * (1 - gamma) / seen)
    forward = (current / np.abs(1 - gamma)) ** 2
    return OnLine(current, current * np.abs((1 + gamma) / (1 - gamma)), forward, forward * (1 - np.abs(gamma) ** 2))


def mean_on_line(matrix: Complex, size: Array) -> OnLine:
    """Return the values: a matched line's current and voltage, and the mean powers over all phases of this magnitude (F,)."""
    matched = on_line(matrix, np.zeros(size.shape, dtype=np.complex128))
    power = matched.current**2
    return OnLine(matched.current, matched.current, power / (1 - size**2), power)


def swr_extremes_db(swr: float) -> float:
    """Return how far a power by I²·Z0 may be off at worst, either way: 10·log10(SWR)."""
    return float(10 * np.log10(swr))
