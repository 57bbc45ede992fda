"""How well connections and cables repeat: from sweeps of the same thing, taken apart and made again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.calibration.ripple import RAYLEIGH_95, noise_of

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

BANDS = 4
LEAST_IN_BAND = 4


@dataclass(frozen=True)
class Spread:
    """Variance of one part (real or imaginary) of one connection, by band, shape (bands,), and its degrees of freedom."""

    variance: Floats
    degrees: int


def spread_of(repeats: Sequence[Complexes]) -> Spread:
    """Return how far repeats (each (F,), at least two) are from their mean, less their noise.

    By band, since a connector's errors rise with frequency. A connection is taken for one number, not for as many as there are
    points: what it does at one frequency it does at the next.
    """
    every = np.stack(repeats)
    noise = float(np.mean([noise_of(one) ** 2 for one in repeats]))
    squares = np.sum(np.abs(every - every.mean(axis=0)) ** 2, axis=0) / (len(repeats) - 1) - noise
    return Spread(np.maximum([band.mean() for band in _bands(squares)], 0.0) / 2, len(repeats) - 1)


def pooled(*spreads: Spread) -> Spread:
    """Return several spreads of the same thing as one."""
    degrees = sum(spread.degrees for spread in spreads)
    total = sum((spread.variance * spread.degrees for spread in spreads), np.zeros_like(spreads[0].variance))
    return Spread(np.asarray(total / degrees), degrees)


def scaled(spread: Spread, factor: float) -> Spread:
    """Return the spread of what is seen ``factor`` times, in variance."""
    return Spread(spread.variance / factor, spread.degrees)


def less(spread: Spread, other: Spread) -> Spread:
    """Return what is left of a spread when another part of it is taken off; never below zero."""
    return Spread(np.maximum(spread.variance - other.variance, 0.0), spread.degrees)


def size_of_spread(spread: Spread) -> float:
    """Return the 95 % size in the worst band, linear, wider for few repeats.

    The magnitude of a circular normal number over its estimated standard deviation: abs²/(2s²) is F-distributed with 2 and ν
    degrees of freedom, whose 95 % point is ν/2·(0.05^(−2/ν) − 1).
    """
    nu = spread.degrees
    point = nu / 2 * (0.05 ** (-2 / nu) - 1)
    return float(np.sqrt(2 * point * np.max(spread.variance)))


def size_surely_above(spread: Spread) -> float:
    """Return what the 95 % size is above with 95 %: by the χ² distribution of the estimated variance, in the worst band."""
    from scipy.special import chdtri

    return float(RAYLEIGH_95 * np.sqrt(np.max(spread.variance) * spread.degrees / chdtri(spread.degrees, 0.05)))


def size_of_deviation(deviation: Complexes) -> float:
    """Return the 95 % size of a deviation over frequency, shape (F,), in its worst band, linear."""
    return float(RAYLEIGH_95 * np.sqrt(max(band.mean() for band in _bands(np.abs(deviation) ** 2)) / 2))


def _bands(squares: Floats) -> list[Floats]:
    count = max(1, min(BANDS, squares.size // LEAST_IN_BAND))
    return np.array_split(squares, count)
