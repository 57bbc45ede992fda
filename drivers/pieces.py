"""Pieces: a grid longer than one sweep of the instrument, cut into sweeps that overlap, and joined again. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy import complex128
from numpy.typing import NDArray

from harness.errors import ReplyError
from harness.quantities import show_frequency
from harness.records.sweep import Grid, Trace

OVERLAP = 2
"""Points that a piece shares with the one before."""
FEWEST = 2 * OVERLAP + 1
WITHIN = 0.01
"""How far two sweeps of one point may be apart (linear: 40 dB below a total reflection), times the ratio where that is over 1."""

Traces = dict[Trace, NDArray[complex128]]


@dataclass(frozen=True)
class Piece:
    """One sweep of several: its own grid, and the index of its first point in the whole."""

    grid: Grid
    first: int


def split(grid: Grid, most: int | None) -> tuple[Piece, ...]:
    """Return the pieces of ``grid`` of at most ``most`` points each, of about equal length, neighbours sharing OVERLAP points.

    The points of the pieces are those of the whole grid, linear and log alike. ``most``: at least FEWEST; None: any number.
    """
    if most is None or grid.points <= most:
        return (Piece(grid, 0),)
    frequency_hz = grid.frequencies()
    new_points = grid.points - OVERLAP
    count = -(-new_points // (most - OVERLAP))
    edges = [new_points * number // count for number in range(count + 1)]
    return tuple(
        Piece(
            Grid(
                float(frequency_hz[start]),
                float(frequency_hz[stop + OVERLAP - 1]),
                stop - start + OVERLAP,
                grid.spacing,
                grid.averages,
            ),
            start,
        )
        for start, stop in pairwise(edges)
    )


def join(grid: Grid, pieces: Sequence[Piece], swept: Sequence[Traces], within: float = WITHIN) -> Traces:
    """Return the traces of the whole grid, complex128 of shape (points,); a shared point is taken from the earlier piece.

    ReplyError where a shared point differs by more than ``within`` between the two sweeps that have it.
    """
    if len(pieces) == 1:
        return swept[0]
    frequency_hz = grid.frequencies()
    joined: Traces = {}
    for trace in swept[0]:
        whole = np.array(swept[0][trace], dtype=np.complex128)
        for piece, found in zip(pieces[1:], swept[1:], strict=True):
            values = found[trace]
            _check_overlap(trace, whole[piece.first :], values[:OVERLAP], frequency_hz[piece.first :], within)
            whole = np.concatenate([whole, values[OVERLAP:]])
        joined[trace] = whole
    return joined


def _check_overlap(
    trace: Trace, before: NDArray[complex128], after: NDArray[complex128], frequency_hz: NDArray[np.float64], within: float
) -> None:
    off = np.abs(after - before)
    allowed = within * np.maximum(np.abs(before), 1.0)
    worst = int(np.argmax(off - allowed))
    if off[worst] > allowed[worst]:
        raise ReplyError(
            f"{trace.upper()} at {show_frequency(float(frequency_hz[worst]))}, where two pieces of the sweep meet: "
            f"{off[worst]:.3g} apart (allowed: {allowed[worst]:.3g})",
            hint="Something moved between the two sweeps, or the analyser changes range there. Tighten connectors, sweep again.",
        )


def longest_repeat(before: NDArray[complex128], now: NDArray[complex128]) -> int:
    """Return how many neighbouring points are the same in both traces to the last bit, at most.

    0 where the shapes differ, and where a trace has one value only (a receiver that shows nothing).
    """
    if before.shape != now.shape or not now.size or bool(np.all(now == now[0])):
        return 0
    same = np.concatenate([[0], (before == now).astype(np.int8), [0]])
    edges = np.flatnonzero(np.diff(same))
    return int(np.max(edges[1::2] - edges[::2], initial=0))


def is_repeated(before: Traces, now: Traces) -> Trace | None:
    """Return a trace of ``now`` that is not new but (in part) the one ``before``, or None.

    No receiver is without noise: an eighth of the points in a row, and at least 8 (or all), do not come twice to the last bit.
    """
    for trace, values in now.items():
        if trace in before and longest_repeat(before[trace], values) >= min(max(8, values.size // 8), values.size):
            return trace
    return None
