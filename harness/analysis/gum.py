"""Uncertainty in closed form, and Monte Carlo for any function: what the draws are checked against, and for what needs no draws.

GUM is JCGM 100:2008; its supplement JCGM 101:2008 is the Monte Carlo; JCGM 106:2012 is conformity.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.analysis.levels import reflection_of_swr

Real = NDArray[np.float64]


def type_a(series: ArrayLike) -> tuple[Real, Real]:
    """Return (means, covariance of the means) of readings taken together, shape (quantities, repeats ≥ 2) (GUM 4.2, 5.2.3)."""
    values = np.asarray(series, dtype=np.float64)
    return values.mean(axis=1), np.atleast_2d(np.cov(values)) / values.shape[1]


def monte_carlo(function: Callable[[Real], Real], means: ArrayLike, covariance: ArrayLike, draws: int, seed: int) -> Real:
    """Return draws of ``function``, which takes normal inputs of shape (inputs, draws) (JCGM 101, 6.4.8 and 7)."""
    rng = np.random.default_rng(seed)
    drawn = rng.multivariate_normal(np.asarray(means), np.asarray(covariance), size=draws, method="eigh").T
    return np.asarray(function(drawn), dtype=np.float64)


def effective_degrees(parts: Sequence[float], degrees: Sequence[float]) -> float:
    """Return the Welch–Satterthwaite degrees of freedom of independent contributions (GUM G.4.1); infinite where all are."""
    total = float(np.sum(np.square(parts)))
    spread = sum(part**4 / freedom for part, freedom in zip(parts, degrees, strict=True) if np.isfinite(freedom))
    return total**2 / spread if spread > 0 else float("inf")


def coverage_factor(degrees: float, level: float = 0.95) -> float:
    """Return the two-sided factor of the t-distribution (GUM G.3), the degrees of freedom cut to a whole number."""
    from scipy.stats import norm, t

    tail = (1 + level) / 2
    return float(norm.ppf(tail) if np.isinf(degrees) else t.ppf(tail, np.floor(degrees)))


def conformance_probability(value: float, u: float, low: float | None, high: float | None) -> float:
    """Return Φ((high − y)/u) − Φ((low − y)/u) of a normal value y with standard uncertainty u (JCGM 106, 7.3)."""
    from scipy.stats import norm

    above = 0.0 if low is None else float(norm.cdf((low - value) / u))
    return (1.0 if high is None else float(norm.cdf((high - value) / u))) - above


def e_n(value: float, expanded: float, reference: float, reference_expanded: float) -> float:
    """Return E_n = (x − X)/sqrt(U² + U_X²) with expanded uncertainties (ISO/IEC 17043)."""
    return (value - reference) / float(np.hypot(expanded, reference_expanded))


def most_mismatch(swr: float, other_swr: float) -> float:
    """Return the largest relative error of a power that two reflections make: (1 + abs(Γ1)·abs(Γ2))² − 1."""
    return float((1 + reflection_of_swr(swr) * reflection_of_swr(other_swr)) ** 2 - 1)
