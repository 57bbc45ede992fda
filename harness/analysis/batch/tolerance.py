"""Tolerance intervals of a normal sample: mean ± k·s holds at least a given share of all units, with a given confidence.

Textbooks mix three factors; the method is always named with the value. "exact" is what ISO 16269-6 tabulates.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from scipy import optimize, special, stats

from harness.errors import DataError

Method = Literal["exact", "howe"]
OneSidedMethod = Literal["exact", "handbook"]
NODES = 120
FARTHEST = 9.0
"""Standard deviations of the mean over which the exact factor is integrated; beyond lies 2e-19 of its distribution."""


@dataclass(frozen=True)
class ToleranceInterval:
    """``low`` to ``high`` = mean ∓ factor·s; holds ``coverage`` of all units with ``confidence``, by ``method``."""

    low: float
    high: float
    factor: float
    coverage: float
    confidence: float
    method: Method


@cache
def two_sided_factor(count: int, coverage: float = 0.95, confidence: float = 0.95, method: Method = "exact") -> float:
    """Return k2, so that mean ± k2·s holds ``coverage`` with ``confidence``. DataError: fewer than two values.

    "exact": the expectation over the sample mean of P(χ²_ν > ν·r²/k²) equals the confidence, r² the coverage quantile of a
    noncentral χ² with one degree of freedom; Gauss–Legendre integration (Odeh and Owen 1980). "howe": Howe's approximation
    (J. Am. Stat. Assoc. 64, 1969, without the last correction), as in the NIST/SEMATECH e-Handbook, 7.2.6.3.
    """
    _check(count, coverage, confidence)
    freedom = count - 1
    if method == "howe":
        quantile = stats.norm.ppf((1 + coverage) / 2)
        return float(quantile * math.sqrt(freedom * (1 + 1 / count) / stats.chi2.ppf(1 - confidence, freedom)))
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    z = FARTHEST * (nodes + 1) / 2
    density = weights * FARTHEST / 2 * 2 * stats.norm.pdf(z)
    half_width = special.chndtrix(coverage, 1.0, z**2 / count)

    def lacking(k: float) -> float:
        return float(np.sum(density * special.chdtrc(freedom, freedom * half_width / k**2)) - confidence)

    return float(optimize.brentq(lacking, 1e-3, 1e5, xtol=1e-10, rtol=1e-12))


@cache
def one_sided_factor(count: int, coverage: float = 0.95, confidence: float = 0.95, method: OneSidedMethod = "exact") -> float:
    """Return k1, so that mean + k1·s lies above ``coverage`` of all units with ``confidence``. DataError: under two values.

    "exact": the quantile of a noncentral t with ν = n − 1 and shift z·√n, over √n. "handbook": the approximation of the
    NIST/SEMATECH e-Handbook, 7.2.6.3; DataError where it has no real value (very small n).
    """
    _check(count, coverage, confidence)
    z_coverage, z_confidence = stats.norm.ppf(coverage), stats.norm.ppf(confidence)
    if method == "exact":
        return float(stats.nct.ppf(confidence, count - 1, z_coverage * math.sqrt(count)) / math.sqrt(count))
    a = 1 - z_confidence**2 / (2 * (count - 1))
    b = z_coverage**2 - z_confidence**2 / count
    if a <= 0 or z_coverage**2 < a * b:
        raise DataError(f"the handbook's one-sided factor does not exist for {count} values", hint="Use the exact factor.")
    return float((z_coverage + math.sqrt(z_coverage**2 - a * b)) / a)


def tolerance_interval(
    values: Sequence[float], coverage: float = 0.95, confidence: float = 0.95, method: Method = "exact"
) -> ToleranceInterval:
    """Return the two-sided tolerance interval of ``values``, taken as normal. DataError: fewer than two values."""
    factor = two_sided_factor(len(values), coverage, confidence, method)
    mean, spread = float(np.mean(values)), float(np.std(values, ddof=1))
    return ToleranceInterval(mean - factor * spread, mean + factor * spread, factor, coverage, confidence, method)


def _check(count: int, coverage: float, confidence: float) -> None:
    if count < 2:
        raise DataError(f"a tolerance interval needs two values or more; there are {count}", hint="Prove more units.")
    if not (0 < coverage < 1 and 0 < confidence < 1):
        raise DataError(f"coverage {coverage:g} and confidence {confidence:g} must lie between 0 and 1")
