"""Yield: how many units conform, with the confidence interval that so few units allow; and the capability index that they do
not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from harness.errors import DataError

LEAST_FOR_CAPABILITY = 50
"""NIST/SEMATECH e-Handbook, 6.1.6: capability indices are for 50 values and more."""


@dataclass(frozen=True)
class Yield:
    """``conform`` of ``units``, with the Clopper–Pearson interval of the share."""

    conform: int
    units: int
    share: float
    low: float
    high: float
    confidence: float
    method: str = "Clopper–Pearson"


def proportion(conform: int, units: int, confidence: float = 0.95) -> Yield:
    """Return the share of ``units`` that ``conform`` with its exact interval (Clopper and Pearson, Biometrika 26, 1934).

    DataError: no units, or more that conform than there are.
    """
    if not 0 <= conform <= units or units < 1:
        raise DataError(f"{conform} of {units} units is no yield")
    tail = (1 - confidence) / 2
    low = 0.0 if conform == 0 else float(stats.beta.ppf(tail, conform, units - conform + 1))
    high = 1.0 if conform == units else float(stats.beta.ppf(1 - tail, conform + 1, units - conform))
    return Yield(conform, units, conform / units, low, high, confidence)


@dataclass(frozen=True)
class Capability:
    """Ppk = distance of the mean from the nearer tolerance over 3 s; its interval by the formula of the e-Handbook, 6.1.6."""

    ppk: float
    low: float
    high: float
    confidence: float


def capability(values: Sequence[float], low: float, high: float, confidence: float = 0.95) -> Capability | str:
    """Return the index of ``values`` against the tolerance ``low`` to ``high``, or the reason why none is given."""
    count = len(values)
    if count < LEAST_FOR_CAPABILITY:
        return (
            f"no capability index: it needs about {LEAST_FOR_CAPABILITY} values (NIST/SEMATECH e-Handbook, 6.1.6) "
            f"and there are {count}; read the run chart and the tolerance interval instead"
        )
    mean, s = float(np.mean(values)), float(np.std(values, ddof=1))
    if min(values) == max(values):
        return "no capability index: all values are the same"
    index = min(high - mean, mean - low) / (3 * s)
    z = float(stats.norm.ppf((1 + confidence) / 2))
    reach = z * math.sqrt(1 / (9 * count) + index**2 / (2 * (count - 1)))
    return Capability(index, index - reach, index + reach, confidence)
