"""What every measurement is made of: two things timed in turn, and a row that compares them."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """One line of the table: what was measured, ours and the baseline in words, their ratio and the most it should be."""

    what: str
    ours: str
    baseline: str
    ratio: float
    goal: float

    @property
    def met(self) -> bool:
        """Whether the goal is met."""
        return self.ratio <= self.goal


def in_turn(ours: Callable[[], float], baseline: Callable[[], float], runs: int) -> tuple[list[float], list[float]]:
    """Return the seconds of ``runs`` runs of each, taken in turn after one run of each that does not count.

    Each function returns its own seconds, so that what it has to prepare or clear away is not timed.
    """
    ours()
    baseline()
    pairs = [(ours(), baseline()) for _ in range(runs)]
    return [one for one, _ in pairs], [other for _, other in pairs]


def timed(work: Callable[[], object]) -> float:
    """Return the seconds that ``work`` takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def row_of(what: str, seconds: tuple[Sequence[float], Sequence[float]], goal: float) -> Row:
    """Return the row for seconds of (ours, baseline): the ratio is that of the medians."""
    ours, baseline = seconds
    ratio = statistics.median(ours) / statistics.median(baseline)
    return Row(what, in_words(ours), in_words(baseline), ratio, goal)


def in_words(seconds: Sequence[float]) -> str:
    """Return "41.2 ms (38.9 to 55.0)": median, least and most."""
    least, middle, most = (1000 * value for value in (min(seconds), statistics.median(seconds), max(seconds)))
    digits = 1 if middle < 100 else 0
    return f"{middle:.{digits}f} ms ({least:.{digits}f} to {most:.{digits}f})"
