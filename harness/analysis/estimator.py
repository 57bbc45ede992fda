"""The estimator: one reciprocal three-port from everything that was read, by Gauss–Newton at all frequencies at once.

Where no reading shows an entry of the matrix, a bounded prior stands in as a pseudo-reading: |S33| ≤ 1 centred at 0, S22 near
S11, S32 near −S31 (the winding's part of the coupling changes sign with the side). A prior never comes from the type.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.model import ENTRIES, Model, matrix_of
from harness.analysis.readings import Complex, Reading
from harness.errors import DataError
from harness.quantities import show_frequency
from harness.records import LINE_IN, LINE_OUT

READING_ERROR = 1e-3
"""What a corrected reading may be off besides its terminations, linear: −60 dB. Only its ratio to the priors' widths matters."""
S33_WIDTH = 1 / np.sqrt(2.0)
"""The root mean square of a number spread evenly over the disc abs ≤ 1: nothing is known of S33 but that the unit is passive."""
S22_WIDTH = 0.05
"""How far S22 may be from S11: a joint that reflects −26 dB on one side only. Chosen, no source."""
S32_WIDTH = 0.5
"""How far S32 may be from −S31, in parts of S31: an even, capacitive part up to a quarter of the winding's. Chosen, no source."""
STEP_DONE = 1e-10
STEP_MOST = 0.5
MOST_ITERATIONS = 30
RANK_TOLERANCE = 1e-6


@dataclass(frozen=True)
class Priors:
    """Pseudo-readings: ``rows`` @ x = 0 within ``width``.

    ``rows``: shape (p, 6); ``width``: shape (F, p); ``entries``: the entries of S they stand in for, p of them.
    """

    entries: tuple[tuple[int, int], ...]
    rows: Complex = field(repr=False)
    width: NDArray[np.float64] = field(repr=False)

    def at(self, index: NDArray[np.intp]) -> Priors:
        """Return the priors at some of their frequencies."""
        return Priors(self.entries, self.rows, self.width[index])


@dataclass(frozen=True)
class Estimate:
    """The three-port at each frequency, and what a linear treatment of its errors needs.

    ``s``: (F, 3, 3), symmetric. ``residuals``: reading minus model, (F, m), in the order of the readings; ``residual``: their
    root mean square over the readings, (F,). ``jacobian``: derivatives of the readings by model.ENTRIES, (F, m, 6).
    ``sigma``: the error each reading was weighted with, linear, (F, m). ``rank``: how many of the six unknowns the readings
    alone determine in principle (singular values above 1e-6 of the largest), (F,); it does not say how well. ``seen``: the
    entries that some reading shows directly; all others rest on ``priors``. ``converged``: (F,).
    """

    frequency_hz: NDArray[np.float64] = field(repr=False)
    s: Complex = field(repr=False)
    residuals: Complex = field(repr=False)
    residual: NDArray[np.float64] = field(repr=False)
    jacobian: Complex = field(repr=False)
    sigma: NDArray[np.float64] = field(repr=False)
    rank: NDArray[np.intp] = field(repr=False)
    seen: frozenset[tuple[int, int]]
    priors: Priors
    converged: NDArray[np.bool_] = field(repr=False)
    iterations: int

    @property
    def complete(self) -> bool:
        """Whether every entry was seen by a reading, so that nothing rests on a prior."""
        return not self.priors.entries

    @property
    def sides(self) -> tuple[str, ...]:
        """The line connectors whose match was seen: line in always, line out where a reading shows S22."""
        return (LINE_IN, LINE_OUT) if (1, 1) in self.seen else (LINE_IN,)


def estimate(
    frequency_hz: NDArray[np.float64], readings: Sequence[Reading], sigma: NDArray[np.float64] | None = None
) -> Estimate:
    """Return the three-port that the readings, taken together, speak of.

    ``sigma``: the error to weight each reading with, (F, m); by default READING_ERROR joined with what the bounds of its
    terminations can do to it. Raises DataError where it does not converge, or a line match, through-line or coupling is not read.
    """
    found = solve(frequency_hz, readings, sigma)
    if not np.all(found.converged):
        raise _no_three_port(frequency_hz, found.converged)
    return found


def solve(
    frequency_hz: NDArray[np.float64],
    readings: Sequence[Reading],
    sigma: NDArray[np.float64] | None = None,
    priors: Priors | None = None,
) -> Estimate:
    """Return the same as :func:`estimate` without judging convergence; ``converged`` tells it at each frequency.

    ``priors``: those to use in place of the ones that follow from these readings.
    """
    model = Model.of(readings)
    read = np.stack([reading.value for reading in readings], axis=1)
    start, seen = _start(readings)
    priors = _priors(start, seen) if priors is None else priors
    with np.errstate(all="ignore"):
        weights = _default_sigma(model, readings, start) if sigma is None else sigma
        try:
            x, converged, iterations = _gauss_newton(model, read, weights, priors, start)
            values, jacobian = model.predict(x)
        except np.linalg.LinAlgError:
            raise _no_three_port(frequency_hz, np.zeros(frequency_hz.size, dtype=bool)) from None
    residuals = read - values
    return Estimate(
        frequency_hz=frequency_hz,
        s=matrix_of(x),
        residuals=residuals,
        residual=np.sqrt(np.mean(np.abs(residuals) ** 2, axis=1)),
        jacobian=jacobian,
        sigma=weights,
        rank=_rank(jacobian),
        seen=seen,
        priors=priors,
        converged=converged,
        iterations=iterations,
    )


def _start(readings: Sequence[Reading]) -> tuple[Complex, frozenset[tuple[int, int]]]:
    """Return the raw readings as a first guess, (F, 6), with the priors' centres where nothing was read, and the entries read."""
    raw = {entry: [reading.value for reading in readings if reading.entry == entry] for entry in ENTRIES}
    seen = frozenset(entry for entry, values in raw.items() if values)
    for entry, name in (((0, 0), "S11"), ((1, 0), "S21"), ((2, 0), "S31")):
        if entry not in seen:
            raise DataError(f"no sweep shows {name} of the unit", hint="line and coupled are needed: measure both.")
    mean = {entry: np.mean(values, axis=0) for entry, values in raw.items() if values}
    centres = {(1, 1): mean[0, 0], (2, 2): np.zeros_like(mean[0, 0]), (2, 1): -mean[2, 0]}
    return np.stack([mean[entry] if entry in seen else centres[entry] for entry in ENTRIES], axis=1), seen


def _priors(start: Complex, seen: frozenset[tuple[int, int]]) -> Priors:
    points = len(start)
    coupling = np.abs(start[:, 4])
    known = {
        (1, 1): ([-1, 1, 0, 0, 0, 0], np.full(points, S22_WIDTH)),
        (2, 2): ([0, 0, 1, 0, 0, 0], np.full(points, S33_WIDTH)),
        (2, 1): ([0, 0, 0, 0, 1, 1], S32_WIDTH * coupling + READING_ERROR),
    }
    entries = tuple(entry for entry in known if entry not in seen)
    rows = np.array([known[entry][0] for entry in entries], dtype=np.complex128).reshape(-1, 6)
    width = np.array([known[entry][1] for entry in entries]).reshape(-1, points).T
    return Priors(entries, rows, width)


def _default_sigma(model: Model, readings: Sequence[Reading], x: Complex) -> NDArray[np.float64]:
    """Return READING_ERROR joined with the effect of a termination anywhere in the disc of its bound, (F, m)."""
    bounds = np.array([reading.bound for reading in readings])
    effect = np.abs(model.termination_slopes(x)) * bounds / np.sqrt(2.0)
    return np.asarray(np.sqrt(READING_ERROR**2 + np.sum(effect**2, axis=2)), dtype=np.float64)


def _gauss_newton(
    model: Model, read: Complex, sigma: NDArray[np.float64], priors: Priors, x: Complex
) -> tuple[Complex, NDArray[np.bool_], int]:
    """Return the unknowns (F, 6), where the last step was below STEP_DONE (F,), and the iterations used."""
    prior_rows = priors.rows / priors.width[..., np.newaxis]
    converged = np.zeros(len(x), dtype=bool)
    iteration = 0
    while iteration < MOST_ITERATIONS and not np.all(converged):
        iteration += 1
        values, slopes = model.predict(x)
        system = np.concatenate([slopes / sigma[..., np.newaxis], prior_rows], axis=1)
        wanted = np.concatenate([(read - values) / sigma, -np.einsum("fpk,fk->fp", prior_rows, x)], axis=1)
        step = _least_squares(system, wanted)
        size = np.max(np.abs(step), axis=1)
        x = x + step * np.minimum(1.0, STEP_MOST / np.maximum(size, STEP_MOST))[:, np.newaxis]
        converged = size <= STEP_DONE
    return x, converged, iteration


def _least_squares(system: Complex, wanted: Complex) -> Complex:
    """Return the least-squares solutions, (F, 6), of stacks of over-determined systems (F, n, 6) and (F, n)."""
    q, r = np.linalg.qr(system)
    projected = np.einsum("fnk,fn->fk", q.conj(), wanted)
    return np.asarray(np.linalg.solve(r, projected[..., np.newaxis])[..., 0], dtype=np.complex128)


def _rank(jacobian: Complex) -> NDArray[np.intp]:
    """Return the number of singular values above RANK_TOLERANCE of the largest, (F,); 0 where a value is not finite."""
    finite = np.all(np.isfinite(jacobian), axis=(1, 2))
    values = np.linalg.svd(np.where(finite[:, np.newaxis, np.newaxis], jacobian, 0), compute_uv=False)
    return np.asarray(np.sum(values > RANK_TOLERANCE * values[:, :1], axis=1), dtype=np.intp)


def _no_three_port(frequency_hz: NDArray[np.float64], converged: NDArray[np.bool_]) -> DataError:
    where = frequency_hz[~converged]
    return DataError(
        f"no three-port fits the sweeps at {where.size} of {frequency_hz.size} frequencies, "
        f"{show_frequency(float(where[0]))} to {show_frequency(float(where[-1]))} ({MOST_ITERATIONS} iterations allowed)",
        hint="Look whether all sweeps belong to this unit, and whether the loads are those that were calibrated.",
    )
