"""The simulated analyser's plain serial language: bytes in, bytes out, no I/O.

A command is a line ended by LF. Replies are lines ended by CRLF, then the prompt "ok: " at the start of a line. Numbers are of
fixed width. No echo.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from drivers.simulated.algebra import Complexes, Floats
from drivers.simulated.bench import SimulatedBench
from harness.records import Grid, Trace

PROMPT = b"ok: "
LONGEST_LINE = 200
LOWEST_HZ, HIGHEST_HZ = 1e3, 3e9
MOST_POINTS, MOST_AVERAGES = 100_001, 10_000
_TRACES: dict[str, Trace] = {"gamma": "s11", "forward": "s21", "backward": "s12", "gamma2": "s22"}
_DECIMAL = re.compile(r"^\d{1,12}(\.\d{1,6})?$", re.ASCII)
_WHOLE = re.compile(r"^\d{1,7}$", re.ASCII)


class _Refused(Exception):
    """A command that the instrument answers with an error line."""


class PlainSerial:
    """One instrument that speaks the plain serial language over a simulated bench."""

    def __init__(self, bench: SimulatedBench) -> None:
        self._bench = bench
        self._most_points = bench.bench.analyser.max_points or MOST_POINTS
        self._waiting = b""
        self._too_long = False
        self._grid = Grid(1e6, 100e6, 101)
        self._taken: dict[Trace, Complexes] = {}
        self._axis: Floats = self._grid.frequencies()
        self._commands: dict[str, Callable[[list[str]], list[str]]] = {
            "who": self._who,
            "span": self._span,
            "average": self._average,
            "take": self._take,
            "axis": self._axis_lines,
        }

    def receive(self, data: bytes) -> bytes:
        """Take bytes as they come, in any pieces, and return what the instrument sends in answer (perhaps nothing yet)."""
        out = b""
        *lines, rest = (self._waiting + data).split(b"\n")
        for line in lines:
            out += self._answer(line)
            self._too_long = False
        self._waiting = rest
        if len(rest) > LONGEST_LINE:
            self._waiting, self._too_long = b"", True
        return out

    def hang_up(self) -> None:
        """Forget a line that was begun: the other side has gone."""
        self._waiting, self._too_long = b"", False

    def _answer(self, line: bytes) -> bytes:
        try:
            lines = self._run(line)
        except _Refused as refused:
            lines = [f"error: {refused}"]
        return "".join(f"{text}\r\n" for text in lines).encode("ascii") + PROMPT

    def _run(self, line: bytes) -> list[str]:
        if self._too_long or len(line) > LONGEST_LINE:
            raise _Refused(f"line longer than {LONGEST_LINE} characters")
        try:
            words = line.decode("ascii").split()
        except UnicodeDecodeError:
            raise _Refused("not plain text") from None
        if not words:
            return []
        name, given = words[0], words[1:]
        if name in _TRACES:
            return self._trace_lines(name, given)
        if name not in self._commands:
            raise _Refused("unknown command")
        return self._commands[name](given)

    def _nothing_given(self, given: list[str]) -> None:
        if given:
            raise _Refused("takes no values")

    def _who(self, given: list[str]) -> list[str]:
        self._nothing_given(given)
        return [self._bench.identity]

    def _span(self, given: list[str]) -> list[str]:
        grid = self._grid
        if not given:
            return [f"{grid.low_hz:018.3f} {grid.high_hz:018.3f} {grid.points}"]
        if len(given) != 3:
            raise _Refused("span takes LOW HIGH POINTS")
        low, high, points = _decimal(given[0]), _decimal(given[1]), _whole(given[2])
        if not LOWEST_HZ <= low < high <= HIGHEST_HZ:
            raise _Refused(f"LOW below HIGH, from {LOWEST_HZ:.0f} to {HIGHEST_HZ:.0f} Hz")
        if not 2 <= points <= self._most_points:
            raise _Refused(f"POINTS from 2 to {self._most_points}")
        self._set(Grid(low, high, points, averages=grid.averages))
        return []

    def _average(self, given: list[str]) -> list[str]:
        if not given:
            return [f"{self._grid.averages}"]
        count = _whole(given[0]) if len(given) == 1 else 0
        if not 1 <= count <= MOST_AVERAGES:
            raise _Refused(f"average takes one number from 1 to {MOST_AVERAGES}")
        self._set(Grid(self._grid.low_hz, self._grid.high_hz, self._grid.points, averages=count))
        return []

    def _set(self, grid: Grid) -> None:
        self._grid, self._axis, self._taken = grid, grid.frequencies(), {}

    def _take(self, given: list[str]) -> list[str]:
        self._nothing_given(given)
        self._taken = self._bench.raw(self._bench.traces, self._grid)
        return []

    def _axis_lines(self, given: list[str]) -> list[str]:
        self._nothing_given(given)
        return [f"{hz:018.3f}" for hz in self._axis]

    def _trace_lines(self, name: str, given: list[str]) -> list[str]:
        self._nothing_given(given)
        trace = _TRACES[name]
        if trace not in self._bench.traces:
            raise _Refused(f"a {self._bench.paths} analyser has no {name}")
        if trace not in self._taken:
            raise _Refused("nothing taken with these settings")
        return [f"{value.real:+.12e} {value.imag:+.12e}" for value in self._taken[trace]]


def _decimal(text: str) -> float:
    if not _DECIMAL.match(text) or not math.isfinite(float(text)):
        raise _Refused("not a frequency in Hz")
    return float(text)


def _whole(text: str) -> int:
    if not _WHOLE.match(text):
        raise _Refused("not a whole number")
    return int(text)
