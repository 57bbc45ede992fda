"""Control charts: constants, and the individuals and moving-range chart. A missing unit breaks the moving range."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import special

from harness.errors import DataError

D2_OF_TWO = 1.128
D4_OF_TWO = 3.267
"""The constants of a moving range of two as the NIST/SEMATECH e-Handbook prints them (6.3.2.2); a test holds them to the
integrals. Limits are computed with these, so that they agree with the handbook's to its last digit."""


@dataclass(frozen=True)
class ChartConstants:
    """The constants of samples of one size, as ASTM MNL7 tabulates them."""

    d2: float
    d3: float
    c4: float
    a2: float
    lower_d3: float
    upper_d4: float


@cache
def chart_constants(size: int) -> ChartConstants:
    """Return the constants of samples of ``size`` (2 to 25) normal values, by numerical integration. DataError.

    d2 and d3: mean and standard deviation of the range over σ; c4: mean of s over σ; A2 = 3/(d2·√n);
    D3, D4 = 1 ∓ 3·d3/d2, D3 not below 0.
    """
    if not 2 <= size <= 25:
        raise DataError(f"chart constants are for samples of 2 to 25 values, not {size}")
    x = np.linspace(-8.0, 8.0, 801)
    below = special.ndtr(x)
    d2 = float(np.trapezoid(1 - (1 - below) ** size - below**size, x))
    d3 = math.sqrt(_mean_square_range(x, below, size) - d2**2)
    c4 = math.sqrt(2 / (size - 1)) * math.exp(special.gammaln(size / 2) - special.gammaln((size - 1) / 2))
    return ChartConstants(d2, d3, c4, 3 / (d2 * math.sqrt(size)), max(0.0, 1 - 3 * d3 / d2), 1 + 3 * d3 / d2)


def _mean_square_range(x: NDArray[np.float64], below: NDArray[np.float64], size: int) -> float:
    """E(R²) = 2·∬_{a<b} P(smallest ≤ a, largest > b) da db (Tippett 1925)."""
    low, high = below[:, None], below[None, :]
    chance = 1 - high**size - (1 - low) ** size + np.clip(high - low, 0, None) ** size
    step = float(x[1] - x[0])
    upper = np.triu(np.ones((x.size, x.size)), 1) + 0.5 * np.eye(x.size)
    return float(2 * np.sum(chance * upper) * step**2)


@dataclass(frozen=True)
class IndividualsChart:
    """Centre line and limits (centre ± 3·mean moving range/1.128) of single values in the order of building.

    ``moving_ranges``: one for each value but the first; None where one of the two units is missing. ``sigma``: mean moving
    range/1.128, the spread from one unit to the next. ``range_limit``: 3.267·mean moving range.
    """

    centre: float
    sigma: float
    low: float
    high: float
    mean_moving_range: float
    range_limit: float
    moving_ranges: tuple[float | None, ...]
    wide_ranges: tuple[int, ...]
    """Index, among the values, of the second unit of each moving range above ``range_limit``."""


def individuals_chart(values: Sequence[float | None]) -> IndividualsChart:
    """Return the chart of ``values`` in the order of building, None for a missing unit. DataError: no two neighbours."""
    ranges = tuple(None if one is None or other is None else abs(other - one) for one, other in pairwise(values))
    known = [moved for moved in ranges if moved is not None]
    if not known:
        raise DataError(
            "an individuals chart needs two units that follow each other, both with a value", hint="Prove the units between."
        )
    mean_range = float(np.mean(known))
    centre = float(np.mean([value for value in values if value is not None]))
    sigma = mean_range / D2_OF_TWO
    limit = D4_OF_TWO * mean_range
    wide = tuple(at + 1 for at, moved in enumerate(ranges) if moved is not None and moved > limit)
    return IndividualsChart(centre, sigma, centre - 3 * sigma, centre + 3 * sigma, mean_range, limit, ranges, wide)
