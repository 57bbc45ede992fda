"""Outliers of a small sample: Grubbs' test for one, the generalised extreme Studentized deviate test for several."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

LEAST = 4
"""Values that are needed: with three, Grubbs' largest possible distance (1.155) is the critical value itself."""
LEAST_FOR_SEVERAL = 15
"""Rosner's critical values hold from about this many values on (his simulations; NIST/SEMATECH e-Handbook, 1.3.5.17.3)."""
MOST_SHARE = 0.2


@dataclass(frozen=True)
class Step:
    """One step of the test: the value furthest from the mean of those left, its distance in s, and the critical distance."""

    index: int
    value: float
    distance: float
    critical: float


@dataclass(frozen=True)
class Outliers:
    """``indices`` among the values given, furthest first; ``method`` and ``limits``: what the test is and cannot see."""

    indices: tuple[int, ...]
    steps: tuple[Step, ...]
    method: str
    limits: str


def find_outliers(values: Sequence[float | None], level: float = 0.05) -> Outliers:
    """Return the outliers of ``values`` (None: missing), two-sided at ``level``.

    4 to 14 values: Grubbs' test for one. 15 and more: the generalised ESD test (Rosner, Technometrics 25, 1983) for at most a
    fifth of them, ten at most.
    """
    known = [(at, value) for at, value in enumerate(values) if value is not None]
    if len(known) < LEAST:
        return Outliers((), (), "none", f"{len(known)} values: an outlier can be told from {LEAST} on")
    several = len(known) >= LEAST_FOR_SEVERAL
    most = min(10, int(MOST_SHARE * len(known))) if several else 1
    steps = generalised_esd(known, most, level)
    # The count of outliers is the last step that exceeds its critical value, though one before it may not: that is what
    # keeps several outliers from hiding each other.
    found = max((number for number, step in enumerate(steps, 1) if step.distance > step.critical), default=0)
    if several:
        method = f"generalised ESD test for at most {most} outliers, two-sided {level:.0%}"
        limits = "assumes normal values; more outliers than that would hide each other"
    else:
        method = f"Grubbs' test for one outlier, two-sided {level:.0%}"
        limits = "assumes normal values; two outliers on one side can hide each other in so few values"
    return Outliers(tuple(step.index for step in steps[:found]), steps, method, limits)


def generalised_esd(known: Sequence[tuple[int, float]], most: int, level: float) -> tuple[Step, ...]:
    """Return ``most`` steps of the generalised ESD test over (index, value) pairs; fewer where what is left has no spread."""
    left = list(known)
    total = len(left)
    steps: list[Step] = []
    for number in range(1, most + 1):
        numbers = np.array([value for _, value in left])
        spread = float(np.std(numbers, ddof=1))
        if spread <= 1e-12 * max(1.0, float(np.max(np.abs(numbers)))):
            break
        distances = np.abs(numbers - np.mean(numbers)) / spread
        at = int(np.argmax(distances))
        steps.append(Step(*left[at], float(distances[at]), critical_distance(total - number + 1, level)))
        del left[at]
    return tuple(steps)


def critical_distance(count: int, level: float = 0.05) -> float:
    """Return the two-sided critical value of Grubbs' test for ``count`` values, from the t distribution."""
    freedom = count - 2
    t = float(stats.t.ppf(1 - level / (2 * count), freedom))
    return (count - 1) * t / math.sqrt(count * (freedom + t**2))
