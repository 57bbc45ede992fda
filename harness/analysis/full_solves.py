"""A check of the linear treatment: a few hundred draws of the inputs go through the estimator in full, and must agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.analysis.estimator import solve
from harness.analysis.inputs import Key, cause, ledger_of
from harness.analysis.linear import Chain, gain_of
from harness.analysis.model import Model, vector_of
from harness.analysis.phasors import RAYLEIGH_95, normal, one_of
from harness.analysis.readings import Complex, Reading
from harness.analysis.sizes import Size
from harness.records.proof import Check

SOLVES = 200
FREQUENCIES = 3
APART_ALLOWED = 0.2
ENTRIES_USED = {"S11": 0, "S21": 3, "S31": 4}
LEAST_SPREAD = 1e-7


def linear_treatment(chain: Chain, readings: Sequence[Reading], within: NDArray[np.bool_], seed: int) -> Check:
    """Return whether full solutions, readings and terminations changed together, agree with the linear ones over the band.

    Compared is the root mean square of the difference with that of the change itself, for S11, S21 and S31.
    """
    index = np.flatnonzero(within)
    index = np.unique(index[np.linspace(0, index.size - 1, FREQUENCIES).astype(int)])
    linear, full = _both(chain, readings, index, np.random.default_rng(seed))
    apart, worst = 0.0, "S11"
    for name, entry in ENTRIES_USED.items():
        spread = np.sqrt(np.mean(np.abs(linear[:, :, entry]) ** 2, axis=0))
        difference = np.sqrt(np.mean(np.abs(full - linear)[:, :, entry] ** 2, axis=0))
        ratio = float(np.max(difference / np.maximum(spread, LEAST_SPREAD)))
        apart, worst = max((apart, worst), (ratio, name))
    says = (
        f"{SOLVES} full solutions differ from the linear treatment by {apart:.1%} of the spread, in {worst}; "
        f"{APART_ALLOWED:.0%} allowed"
    )
    return Check(name="linear treatment", says=says, ok=apart <= APART_ALLOWED)


def _both(
    chain: Chain, readings: Sequence[Reading], index: NDArray[np.intp], rng: np.random.Generator
) -> tuple[Complex, Complex]:
    """Return the changes of the six unknowns, (SOLVES, points, 6), by the linear treatment and by full solution."""
    ledger = ledger_of(chain.scene.at(index), keep_ends=True)
    points, count = index.size, len(readings)
    direct = np.zeros((SOLVES, points, count), dtype=np.complex128)
    ends = np.zeros((SOLVES, points, count, 3), dtype=np.complex128)
    errors: dict[Key, Complex] = {}
    for key in dict.fromkeys([*ledger.effects, *ledger.ends]):
        if cause(key) not in errors:
            errors[cause(key)] = _error(chain.size_of(key), rng)
        error = errors[cause(key)]
        if key in ledger.effects:
            direct += error[..., np.newaxis] * ledger.effects[key]
        if key in ledger.ends:
            ends += error[..., np.newaxis, np.newaxis] * ledger.ends[key]
    total = direct + np.einsum("sfmp,fmp->sfm", ends, chain.scene.slopes[index])
    gain = gain_of(chain.found).x[index][:, :, :count]
    linear = np.einsum("fkm,sfm->sfk", gain, total)
    return linear, _full(chain, readings, index, direct, ends)


def _error(size: Size, rng: np.random.Generator) -> Complex:
    """Return an input's number in every solution, (SOLVES, 1)."""
    if size.kind in ("disc", "ring"):
        return size.linear * one_of(rng, SOLVES, 1, size.kind).astype(np.complex128)
    number = normal(rng, SOLVES, 1).astype(np.complex128)
    return np.asarray(size.linear / RAYLEIGH_95 * (number if size.kind == "normal" else number.real), dtype=np.complex128)


def _full(chain: Chain, readings: Sequence[Reading], index: NDArray[np.intp], direct: Complex, ends: Complex) -> Complex:
    """Solve all draws at once, laid end to end as if they were frequencies.

    Each draw is read with its own terminations and errors, and solved with the terminations that are assumed.
    """
    solves, points, count = direct.shape
    many = np.tile(index, solves)
    assumed = [replace(reading, gamma=reading.gamma[many], values=reading.value[np.newaxis, many]) for reading in readings]
    # The two directions of a sweep see other ends: each reading has terminations of its own here.
    true = [
        replace(reading, sweep=str(number), gamma=reading.gamma + ends[:, :, number].reshape(-1, 3))
        for number, reading in enumerate(assumed)
    ]
    read = Model.of(true).predict(np.tile(vector_of(chain.found.s)[index], (solves, 1)))[0]
    read = read + chain.found.residuals[many] + direct.reshape(-1, count)
    changed = [replace(reading, values=read[np.newaxis, :, number]) for number, reading in enumerate(assumed)]
    hz = np.tile(chain.found.frequency_hz[index], solves)
    solved = solve(hz, changed, chain.found.sigma[many], chain.found.priors.at(many))
    return vector_of(solved.s).reshape(solves, points, 6) - vector_of(chain.found.s)[index]
