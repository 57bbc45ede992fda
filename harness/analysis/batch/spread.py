"""How much of the spread is the units', and how much the measurement's: one-way analysis of variance over repeat proofs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from harness.errors import DataError


@dataclass(frozen=True)
class Spread:
    """Standard deviations of units and of measurement with 95 % intervals (an end None: not bounded by the data).

    ``f`` and ``p``: the test of "the units are all alike". ``freedom``: (between, within). ``share``: the part of the variance
    of single values that is the units', with its interval.
    """

    units: int
    proofs: int
    measurement: float
    measurement_interval: tuple[float, float]
    between: float
    between_interval: tuple[float, float]
    share: float
    share_interval: tuple[float, float]
    f: float
    p: float
    freedom: tuple[int, int]
    method: str


def spread(groups: Sequence[Sequence[float]], confidence: float = 0.95) -> Spread:
    """Return the parts of the spread; one group of values for each unit, single values among them.

    Measurement: the pooled within-unit variance, its interval from χ². Units: moment estimate, not below 0. The interval of
    the ratio of the two variances comes from F over the unit means (exact where all units have the same count; else Thomas and
    Hultquist, Ann. Statist. 6, 1978); that of the units' spread is the ratio's times the measured within-unit variance.
    DataError: fewer than two units, or no unit proved twice.
    """
    sizes = np.array([len(group) for group in groups if len(group)], dtype=np.float64)
    kept = [np.array(group, dtype=np.float64) for group in groups if len(group)]
    units, proofs = len(kept), int(sizes.sum())
    within_freedom, between_freedom = proofs - units, units - 1
    if between_freedom < 1 or within_freedom < 1:
        raise DataError(
            "the spread of units and of measurement cannot be told apart: that needs two units, one of them proved twice",
            hint="Prove one unit again, with all connectors taken off between.",
        )
    means = np.array([group.mean() for group in kept])
    within = float(sum(np.sum((group - group.mean()) ** 2) for group in kept)) / within_freedom
    grand = float(np.sum(sizes * means) / proofs)
    between_square = float(np.sum(sizes * (means - grand) ** 2)) / between_freedom
    usual_size = (proofs - float(np.sum(sizes**2)) / proofs) / between_freedom
    between = math.sqrt(max(0.0, (between_square - within) / usual_size))
    ratio = _ratio_interval(means, sizes, within, within_freedom, confidence)
    f = between_square / within if within > 0 else math.inf
    tail = (1 - confidence) / 2
    measured = tuple(math.sqrt(within_freedom * within / stats.chi2.ppf(q, within_freedom)) for q in (1 - tail, tail))
    total = between**2 + within
    return Spread(
        units,
        proofs,
        math.sqrt(within),
        (measured[0], measured[1]),
        between,
        (math.sqrt(ratio[0] * within), math.sqrt(ratio[1] * within)),
        between**2 / total if total > 0 else 0.0,
        (ratio[0] / (1 + ratio[0]), ratio[1] / (1 + ratio[1])),
        f,
        float(stats.f.sf(f, between_freedom, within_freedom)),
        (between_freedom, within_freedom),
        "one-way analysis of variance" + ("" if np.all(sizes == sizes[0]) else ", unequal counts (Thomas and Hultquist)"),
    )


def _ratio_interval(
    means: np.ndarray[tuple[int], np.dtype[np.float64]],
    sizes: np.ndarray[tuple[int], np.dtype[np.float64]],
    within: float,
    within_freedom: int,
    confidence: float,
) -> tuple[float, float]:
    """Return the interval of (units' variance)/(measurement's variance); both ends 0 where the measurement has no spread."""
    if within <= 0:
        return 0.0, 0.0
    harmonic = len(sizes) / float(np.sum(1 / sizes))
    observed = harmonic * float(np.var(means, ddof=1)) / within
    tail = (1 - confidence) / 2
    ends = [observed / float(stats.f.ppf(q, len(sizes) - 1, within_freedom)) for q in (1 - tail, tail)]
    low, high = (max(0.0, (end - 1) / harmonic) for end in ends)
    return low, high
