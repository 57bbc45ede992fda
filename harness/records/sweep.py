"""Sweeps: what one pass over frequency at one hook-up gave."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.errors import DataError
from harness.quantities import show_frequency

Trace = Literal["s11", "s21", "s12", "s22"]
RELATIVE_GRID_TOLERANCE = 1e-9


@dataclass(frozen=True)
class Grid:
    """The frequencies that are asked of the analyser, and how each point is taken."""

    low_hz: float
    high_hz: float
    points: int
    spacing: Literal["linear", "log"] = "linear"
    averages: int = 1

    def frequencies(self) -> NDArray[np.float64]:
        """Return the frequencies in Hz, shape (points,), ascending."""
        if self.spacing == "log":
            return np.geomspace(self.low_hz, self.high_hz, self.points)
        return np.linspace(self.low_hz, self.high_hz, self.points)


@dataclass(frozen=True)
class Settings:
    """What the analyser says it is set to, read back from it after the set-up."""

    identity: str
    frequency_hz: NDArray[np.float64] = field(repr=False)
    averages: int
    said: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Sweep:
    """Complex traces over one frequency grid, at one hook-up.

    ``traces`` maps "s11", "s21", … (receiving port first) to arrays of shape (F,). A trace that was not measured is absent:
    it is never a column of zeros. ``ports`` is the number of ports of the file that holds the sweep.
    """

    name: str
    frequency_hz: NDArray[np.float64] = field(repr=False)
    traces: Mapping[str, NDArray[np.complex128]] = field(repr=False)
    ports: int
    comments: tuple[str, ...] = ()

    def trace(self, key: str) -> NDArray[np.complex128]:
        """Return one trace, shape (F,); DataError names the sweep where it was not measured."""
        if key not in self.traces:
            raise DataError(f"the sweep {self.name} has no {key.upper()}", hint="Measure the sweep again with this trace.")
        return self.traces[key]

    def matrix(self) -> NDArray[np.complex128]:
        """Return the S-matrix, shape (F, ports, ports); DataError where a trace is missing."""
        count = range(1, self.ports + 1)
        rows = [[self.trace(f"s{i}{j}") for j in count] for i in count]
        return np.moveaxis(np.array(rows), -1, 0)

    @classmethod
    def from_matrix(
        cls, name: str, frequency_hz: NDArray[np.float64], s: NDArray[np.complex128], comments: tuple[str, ...] = ()
    ) -> Sweep:
        """Return the sweep of a full S-matrix of shape (F, n, n)."""
        ports = s.shape[-1]
        traces = {f"s{i + 1}{j + 1}": np.ascontiguousarray(s[:, i, j]) for i in range(ports) for j in range(ports)}
        return cls(name, frequency_hz, traces, ports, comments)

    def same_grid(self, other: NDArray[np.float64]) -> bool:
        """Tell whether ``other`` is the same grid, to a relative 1e-9 (files lose an ulp; instruments round to hertz or so)."""
        return same_grid(self.frequency_hz, other)


def same_grid(one: NDArray[np.float64], other: NDArray[np.float64], relative: float = RELATIVE_GRID_TOLERANCE) -> bool:
    """Tell whether two grids have the same length and the same frequencies to ``relative``."""
    return one.shape == other.shape and bool(np.all(np.abs(one - other) <= relative * np.abs(one)))


def describe_grid(frequency_hz: NDArray[np.float64]) -> str:
    """Return "201 points, 1 MHz to 100 MHz"."""
    return f"{frequency_hz.size} points, {show_frequency(float(frequency_hz[0]))} to {show_frequency(float(frequency_hz[-1]))}"
