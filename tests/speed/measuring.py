"""What every measurement is made of: two things timed in turn, and a row that compares them."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True)
class Row:
    """One line of the table: what was measured, ours and the baseline in words, their ratio and the most it should be.

    Without a ``goal`` the row is there to be seen.
    """

    what: str
    ours: str
    baseline: str
    ratio: float
    goal: float | None

    @property
    def met(self) -> bool:
        """Whether the goal is met."""
        return self.goal is None or self.ratio <= self.goal


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


class Stopwatch:
    """Adds up the seconds spent in some functions, less those spent in some others that they call."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self._since: list[tuple[float, float]] = []

    def counted(self, work: Callable[P, T], sign: float = 1.0) -> Callable[P, T]:
        """Return ``work`` with its seconds counted; a call within a counted one of the same sign is not counted twice."""

        def run(*given: P.args, **more: P.kwargs) -> T:
            inside = bool(self._since) and self._since[-1][0] == sign
            self._since.append((sign, time.perf_counter()))
            try:
                return work(*given, **more)
            finally:
                begin = self._since.pop()[1]
                self.seconds += 0.0 if inside else sign * (time.perf_counter() - begin)

        return run

    @contextmanager
    def over(self, functions: Iterable[tuple[object, str]], sign: float = 1.0) -> Iterator[None]:
        """Count the functions, each the attribute of a module or class, as long as this lasts."""
        kept = [(owner, name, getattr(owner, name)) for owner, name in functions]
        for owner, name, function in kept:
            setattr(owner, name, self.counted(function, sign))
        try:
            yield
        finally:
            for owner, name, function in kept:
                setattr(owner, name, function)


def row_of(what: str, seconds: tuple[Sequence[float], Sequence[float]], goal: float | None) -> Row:
    """Return the row for seconds of (ours, baseline): the ratio is that of the medians."""
    ours, baseline = seconds
    ratio = statistics.median(ours) / statistics.median(baseline)
    return Row(what, in_words(ours), in_words(baseline), ratio, goal)


def in_words(seconds: Sequence[float]) -> str:
    """Return "41.2 ms (38.9 to 55.0)": median, least and most."""
    least, middle, most = (1000 * value for value in (min(seconds), statistics.median(seconds), max(seconds)))
    digits = 1 if middle < 100 else 0
    return f"{middle:.{digits}f} ms ({least:.{digits}f} to {most:.{digits}f})"
