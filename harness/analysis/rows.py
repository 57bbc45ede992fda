"""Inputs as rows: each row is one independent complex number's effect on everything that the figures look at.

Columns are laid end to end: S11, S22 (where it counts) and S21 over the band; S31 over the band, at the centres of bands and at
the table's frequencies; what is left of the readings at a few frequencies of the band. All normal inputs together are turned,
without loss, into as few rows as carry them (a unitary turn of independent circular normal numbers gives such numbers again).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.linear import Effect
from harness.analysis.phasors import RAYLEIGH_95, turning
from harness.analysis.points import Points
from harness.analysis.readings import Complex

ENTRY_OF = {"S11": 0, "S22": 1, "S21": 3, "S31": 4}
"""Entry → its place among the six unknowns."""
DRAWS_THAT_PAY = 5
DROPPED = 1e-6
"""Rows that together carry less than this part of everything are dropped."""


@dataclass(frozen=True)
class Layout:
    """Which columns there are: entry → its points; then the readings' rest at ``rest`` (indices of the grid)."""

    frequency_hz: NDArray[np.float64] = field(repr=False)
    points: dict[str, Points]
    rest: NDArray[np.intp] = field(repr=False)
    readings: int

    @property
    def columns(self) -> dict[str, slice]:
        """Return the columns of each entry, and of "rest"."""
        found, at = {}, 0
        for name, points in self.points.items():
            found[name] = slice(at, at + points.hz.size)
            at += points.hz.size
        found["rest"] = slice(at, at + self.rest.size * self.readings)
        return found

    def rows(self, effect: Effect) -> Complex:
        """Return one input of size 1 as rows, one for each delay that stands for its turning: (Q, columns)."""
        turned = turning(self.frequency_hz)
        parts = [
            np.moveaxis(points.take(effect.x[:, ENTRY_OF[name], np.newaxis] * turned.T), 0, 1)
            for name, points in self.points.items()
        ]
        rest = effect.left[self.rest][np.newaxis] * turned[:, self.rest, np.newaxis]
        return np.concatenate([*parts, rest.reshape(len(turned), -1)], axis=1)

    def steady(self, effect: Effect) -> Complex:
        """Return one input that does not turn with frequency, of size 1, as a row: (1, columns)."""
        parts = [points.take(effect.x[:, ENTRY_OF[name]]) for name, points in self.points.items()]
        return np.concatenate([*parts, effect.left[self.rest].ravel()])[np.newaxis]


@dataclass(frozen=True)
class Bounded:
    """A bounded input: one of its rows, (Q, columns), times a number of the unit "disc" or "ring"."""

    kind: str
    rows: NDArray[np.complex64] = field(repr=False)


@dataclass(frozen=True)
class Rows:
    """All inputs: ``normal``, (R, columns), times complex normal numbers, ``real``, (R', columns), times real ones, both of
    standard deviation 1 in each part; and the bounded ones.

    ``shares``: budget line → its rows, scaled so that the mean square of each row's number is 2. ``real_shares``: budget line →
    its rows of real numbers, of mean square 1.
    """

    layout: Layout
    normal: NDArray[np.complex64] = field(repr=False)
    real: NDArray[np.complex64] = field(repr=False)
    bounded: tuple[Bounded, ...]
    shares: dict[str, Complex] = field(repr=False)
    real_shares: dict[str, Complex] = field(repr=False)

    def variance(self, group: str, moves: Callable[[Complex], Complex]) -> NDArray[np.float64]:
        """Return the variance that an input gives to the real part of what ``moves`` makes, linearly, of its rows."""
        turning = np.abs(moves(self.shares[group])) ** 2 if group in self.shares else np.zeros(1)
        steady = np.real(moves(self.real_shares[group])) ** 2 if group in self.real_shares else np.zeros(1)
        return np.asarray(np.sum(turning, axis=0) + np.sum(steady, axis=0), dtype=np.float64)

    @property
    def groups(self) -> tuple[str, ...]:
        """The budget lines, in the order in which they first come."""
        return tuple(dict.fromkeys([*self.shares, *self.real_shares]))


def rows_of(effects: Sequence[Effect], layout: Layout, draws: int) -> Rows:
    """Return the inputs as rows; as few as possible where there are so many ``draws`` that it pays."""
    normal: list[Complex] = []
    bounded: list[Bounded] = []
    shares: dict[str, list[Complex]] = {}
    real: dict[str, list[Complex]] = {}
    for effect in effects:
        if effect.size.kind == "real":
            real.setdefault(effect.group, []).append(effect.size.linear / RAYLEIGH_95 * layout.steady(effect))
            continue
        rows = effect.size.linear * layout.rows(effect)
        if effect.size.kind == "normal":
            rows = rows / (RAYLEIGH_95 * np.sqrt(len(rows)))
            normal.append(rows)
            shares.setdefault(effect.group, []).append(rows)
        else:
            bounded.append(Bounded(effect.size.kind, rows.astype(np.complex64)))
            mean_square = 0.5 if effect.size.kind == "disc" else 1.0
            shares.setdefault(effect.group, []).append(rows * np.sqrt(mean_square / 2 / len(rows)))
    nothing = np.zeros((0, layout.columns["rest"].stop), dtype=np.complex128)
    every = np.concatenate([nothing, *normal])
    few = _fewest(every, layout) if draws > DRAWS_THAT_PAY * len(every) else every.astype(np.complex64)
    steady = np.concatenate([nothing, *(row for rows in real.values() for row in rows)]).astype(np.complex64)
    joined, joined_real = ({name: np.concatenate(parts) for name, parts in some.items()} for some in (shares, real))
    return Rows(layout, few, steady, tuple(bounded), joined, joined_real)


def _fewest(rows: Complex, layout: Layout) -> NDArray[np.complex64]:
    """Return as few rows with the same covariance, to DROPPED of each entry's own: the eigenvectors of their Gram matrix."""
    if not len(rows):
        return rows.astype(np.complex64)
    weighed = rows.copy()
    for columns in layout.columns.values():
        size = np.sqrt(np.mean(np.abs(rows[:, columns]) ** 2)) if columns.stop > columns.start else 0.0
        weighed[:, columns] /= size * np.sqrt(columns.stop - columns.start) if size > 0 else 1.0
    energy, turn = np.linalg.eigh(weighed @ weighed.conj().T)
    kept = np.cumsum(np.maximum(energy, 0)) > DROPPED * np.sum(np.maximum(energy, 0))
    return (turn[:, kept].conj().T @ rows).astype(np.complex64)
