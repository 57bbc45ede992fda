"""Trace noise, estimated from the data, and its removal by a smooth curve where the data are a smooth curve and noise.

Extremes over a band are biased by noise: the largest of a hundred noisy points lies two and a half standard deviations too high.
So the figures are taken from a cubic spline through each entry of the three-port, with as few knots as leave nothing but noise;
where no spline does, the points stay as they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import comb

import numpy as np
from numpy.typing import NDArray

from harness.analysis.readings import Complex

Real = NDArray[np.float64]

ORDER = 4
LEAST_POINTS = 4 * ORDER
KNOTS = (4, 6, 9, 13, 19, 28, 42, 63, 95, 142)
ENERGY_ALLOWED = 1.25
OUTLIER_ALLOWED = 7.0
"""The largest of F squared deviations may be ln F + this, in units of the mean: once in a thousand traces."""
NEIGHBOURS_ALLOWED = 4.0
RANK_TOLERANCE = 1e-9


@dataclass(frozen=True)
class Smooth:
    """One entry over the grid without most of its noise.

    ``values``: shape (F,). ``noise``: standard deviation of the complex noise of one point, linear (root of the mean of abs²).
    ``basis``: orthonormal columns of the spline, (F, r), or None where the points stay as they are.
    """

    values: Complex = field(repr=False)
    noise: float
    basis: Real | None = field(repr=False)


def noise_of(trace: Complex) -> float:
    """Return the standard deviation of the complex noise of one point, from fourth differences over frequency.

    A smooth trace has none; independent noise of mean square σ² has 70 σ² (the sum of the squared binomials). The median stands
    for the mean (of an exponential distribution: ln 2 of it), so that a few jumps do not count as noise.
    """
    if trace.size < LEAST_POINTS:
        return 0.0
    differences = np.diff(trace, ORDER)
    return float(np.sqrt(np.median(np.abs(differences) ** 2) / np.log(2) / comb(2 * ORDER, ORDER)))


def smooth(frequency_hz: Real, entries: Mapping[str, Complex]) -> dict[str, Smooth]:
    """Return each entry, shape (F,), with its noise and, where noise is all that a spline leaves, as a spline.

    It is the next finer one than the first that leaves noise only: what a first one leaves may still hide a bend as large as the
    noise.
    """
    noises = {name: noise_of(trace) for name, trace in entries.items()}
    found: dict[str, Smooth] = {}
    enough: set[str] = set()
    for basis in _bases(frequency_hz):
        for name in entries:
            if name in found:
                continue
            fitted = basis @ (basis.T @ entries[name])
            if name in enough:
                found[name] = Smooth(fitted, noises[name], basis)
            elif _is_noise(entries[name] - fitted, noises[name], basis.shape[1]):
                enough.add(name)
        if len(found) == len(entries):
            break
    return {name: found.get(name, Smooth(trace, noises[name], None)) for name, trace in entries.items()}


def _bases(frequency_hz: Real) -> Iterator[Real]:
    """Yield orthonormal bases of cubic splines with ever more knots, even in the mean of linear and logarithmic frequency."""
    if frequency_hz.size < LEAST_POINTS:
        return
    low, high = frequency_hz[0], frequency_hz[-1]
    place = ((frequency_hz - low) / (high - low) + np.log(frequency_hz / low) / np.log(high / low)) / 2
    for count in KNOTS:
        if count + 3 > frequency_hz.size // 2:
            return
        knots = np.concatenate([[0.0] * 3, np.linspace(0, 1, count), [1.0] * 3])
        columns, sizes, _ = np.linalg.svd(splines(np.clip(place, 0, 1), knots, 3), full_matrices=False)
        yield columns[:, sizes > RANK_TOLERANCE * sizes[0]]


def splines(place: Real, knots: Real, degree: int) -> Real:
    """Return the B-splines over ``knots`` at ``place`` (P,), shape (P, knots − degree − 1); no place outside the knots.

    By the recurrence of C. de Boor and M. Cox (de Boor, A Practical Guide to Splines, 1978, chapter X). scipy has the same, and
    takes a third of a second to be imported.
    """
    within = np.searchsorted(knots, place, side="right") - 1
    within = np.clip(within, degree, knots.size - degree - 2)  # the last place belongs to the last piece
    values = np.zeros((place.size, knots.size - 1))
    values[np.arange(place.size), within] = 1.0
    for order in range(1, degree + 1):
        width = knots[order:] - knots[:-order]
        rising = (place[:, None] - knots[:-order]) * np.divide(1.0, width, out=np.zeros_like(width), where=width > 0)
        falling = (knots[order:] - place[:, None]) * np.divide(1.0, width, out=np.zeros_like(width), where=width > 0)
        values = rising[:, :-1] * values[:, :-1] + falling[:, 1:] * values[:, 1:]
    return values


def _is_noise(left: Complex, noise: float, used: int) -> bool:
    """Tell whether what a fit of ``used`` terms leaves looks like independent noise of this size."""
    free = left.size - used
    power = np.abs(left) ** 2
    if noise <= 0 or free < LEAST_POINTS:
        return False
    energy = float(np.sum(power)) / free / noise**2
    largest = float(np.max(power)) / noise**2
    neighbours = float(np.real(np.vdot(left[:-1], left[1:]))) / float(np.sum(power)) + used / left.size
    return bool(
        energy <= max(ENERGY_ALLOWED, 1 + 4 / np.sqrt(free))
        and largest <= np.log(left.size) + OUTLIER_ALLOWED
        and neighbours <= NEIGHBOURS_ALLOWED / np.sqrt(2 * free)
    )
