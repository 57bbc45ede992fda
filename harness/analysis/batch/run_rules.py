"""Run rules: patterns in the order of building that chance seldom makes. A missing unit breaks every run.

The eight tests of L. S. Nelson, "The Shewhart control chart: tests for special causes", J. Quality Technology 16 (1984)
237–239; the zone rules 1, 5 and 6 are those of Western Electric (1956).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]


@dataclass(frozen=True)
class Rule:
    """One test over a window of units: ``says`` in words; ``holds`` of the window's distances from the centre in sigmas."""

    number: int
    says: str
    window: int
    holds: Callable[[Real], bool]


@dataclass(frozen=True)
class Signal:
    """A rule that speaks at a unit: ``first`` to ``last`` are the indices of its window among the values."""

    rule: int
    says: str
    first: int
    last: int


def _some_beyond(count: int, sigmas: float) -> Callable[[Real], bool]:
    """``count`` of the window on one side beyond ``sigmas``, the last unit among them: it is the one that tells."""

    def holds(z: Real) -> bool:
        return any(bool(side[-1] > sigmas) and int(np.sum(side > sigmas)) >= count for side in (z, -z))

    return holds


def _one_side(z: Real) -> bool:
    return bool(np.all(z > 0) or np.all(z < 0))


def _trend(z: Real) -> bool:
    steps = np.diff(z)
    return bool(np.all(steps > 0) or np.all(steps < 0))


def _alternates(z: Real) -> bool:
    steps = np.diff(z)
    return bool(np.all(steps[1:] * steps[:-1] < 0))


def _hugs_the_centre(z: Real) -> bool:
    return bool(np.all(np.abs(z) < 1))


def _avoids_the_centre(z: Real) -> bool:
    return bool(np.all(np.abs(z) > 1) and np.any(z > 0) and np.any(z < 0))


RULES = (
    Rule(1, "one unit beyond 3 sigma", 1, lambda z: bool(abs(z[0]) > 3)),
    Rule(2, "nine units in a row on one side of the centre", 9, _one_side),
    Rule(3, "six units in a row, each above or each below the one before", 6, _trend),
    Rule(4, "fourteen units in a row that go up and down in turn", 14, _alternates),
    Rule(5, "two of three units beyond 2 sigma on one side", 3, _some_beyond(2, 2)),
    Rule(6, "four of five units beyond 1 sigma on one side", 5, _some_beyond(4, 1)),
    Rule(7, "fifteen units in a row within 1 sigma", 15, _hugs_the_centre),
    Rule(8, "eight units in a row beyond 1 sigma, on both sides", 8, _avoids_the_centre),
)
ROUTINE = (1, 2, 3, 5, 6)
"""The rules that a batch is read with: one far unit, shifts and trends. The others tell of mixed lots and rational subgroups,
for which a club's batch is too short."""


def run_signals(
    values: Sequence[float | None], centre: float, sigma: float, rules: Sequence[int] = ROUTINE
) -> tuple[Signal, ...]:
    """Return what the ``rules`` say of ``values`` in the order of building (None: a missing unit), by unit and rule.

    A rule that speaks again at each unit of one run is told once, with the whole run.
    """
    signals: list[Signal] = []
    for rule in RULES:
        if rule.number in rules:
            signals += _joined(rule, _windows(rule, values, centre, sigma))
    return tuple(sorted(signals, key=lambda signal: (signal.last, signal.rule)))


def _windows(rule: Rule, values: Sequence[float | None], centre: float, sigma: float) -> Iterator[tuple[int, int]]:
    """Yield (first, last) of each window without a gap in which the rule holds."""
    for last in range(rule.window - 1, len(values)):
        window = values[last - rule.window + 1 : last + 1]
        known = [value for value in window if value is not None]
        # Without any spread nothing lies beyond a sigma, and all values are the centre: only then is sigma zero.
        if len(known) == rule.window and sigma > 0 and rule.holds((np.array(known) - centre) / sigma):
            yield last - rule.window + 1, last


def _joined(rule: Rule, windows: Iterator[tuple[int, int]]) -> list[Signal]:
    signals: list[Signal] = []
    for first, last in windows:
        if rule.window > 1 and signals and last == signals[-1].last + 1:
            signals[-1] = Signal(rule.number, rule.says, signals[-1].first, last)
        else:
            signals.append(Signal(rule.number, rule.says, first, last))
    return signals
