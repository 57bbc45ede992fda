"""The trend over all proofs: the level of the coupling against time, a weighted straight line with its 95 % interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.records.drift import DriftTrend

LEAST_PROOFS = 3
LEAST_DAYS = 1.0
NORMAL_95 = 1.959964


@dataclass(frozen=True)
class Point:
    """One proof: days since the reference proof, level of its coupling over that one's in dB, its own standard deviation."""

    days: float
    level_db: float
    sigma: float


def trend_of(points: Sequence[Point]) -> DriftTrend | None:
    """Return the trend, None with fewer than three proofs or where all are of one day.

    Each proof's own error is independent of the others' (what all share has cancelled in the differences), so this is least
    squares weighted with 1/σ²; the standard deviation of the slope is known beforehand: 1/√Σ w(t − t̄)².
    """
    days = np.array([one.days for one in points])
    if len(points) < LEAST_PROOFS or np.ptp(days) < LEAST_DAYS:
        return None
    weight = 1 / np.array([one.sigma for one in points]) ** 2
    level = np.array([one.level_db for one in points])
    years = days / 365.25
    away = years - np.sum(weight * years) / np.sum(weight)
    spread = float(np.sum(weight * away**2))
    slope, half = float(np.sum(weight * away * level)) / spread, NORMAL_95 / np.sqrt(spread)
    low, high = slope - half, slope + half
    toward = "weaker" if slope > 0 else "stronger"
    says = (
        f"over {len(points)} proofs in {np.ptp(years):.1f} years the coupling gets {toward} by {abs(slope):.3f} dB a year "
        f"({low:+.3f} to {high:+.3f} dB a year)"
        if low * high > 0
        else f"over {len(points)} proofs in {np.ptp(years):.1f} years there is no trend: {low:+.3f} to {high:+.3f} dB a year"
    )
    return DriftTrend(
        proofs=len(points), years=round(float(np.ptp(years)), 4), db_per_year=slope, low=float(low), high=float(high), says=says
    )
