"""What the best explanation leaves of the readings, by sweep and frequency: for a plot, and to say where nothing fits."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.diagnosis.explanations import Trial
from harness.analysis.diagnosis.observed import Observed
from harness.analysis.readings import Complex

Floats = NDArray[np.float64]

FAR_OFF = 3.0
LEAST = 1e-12
"""Magnitude below which a reading counts as this much in dB."""


@dataclass(frozen=True)
class Remainder:
    """What the best explanation leaves: one row for each of the m readings ("coupled s21"), at the F frequencies of the fit.

    ``hz``: (F,). ``residual``: reading less fit, complex, (m, F). ``sigma``: how far each may be off, (m, F). ``whitened``:
    complex, (m, F): the residual less what the rows above and the lower frequencies foretell of it, in its own standard
    deviations; where the explanation holds, independent numbers of mean square one or less. ``db``: reading over fit in dB,
    (m, F). ``band_hz``: where the residual is more than FAR_OFF times ``sigma``, from lowest to highest; None where nowhere.
    """

    hz: Floats = field(repr=False)
    names: tuple[str, ...]
    residual: Complex = field(repr=False)
    sigma: Floats = field(repr=False)
    whitened: Complex = field(repr=False)
    db: Floats = field(repr=False)
    band_hz: tuple[float, float] | None

    def of_sweep(self, sweep: str) -> tuple[int, ...]:
        """Return the rows that belong to a sweep, in their order; none for a sweep that was not taken."""
        return tuple(number for number, name in enumerate(self.names) if name.split()[0] == sweep)


def remainder_of(observed: Observed, trial: Trial) -> Remainder:
    """Return what a trial leaves of the readings."""
    predicted = observed.predict(trial.fit.fitted.matrix(observed.frequency_hz))
    left = observed.values - predicted
    off = np.any(np.abs(left) > FAR_OFF * observed.size, axis=1)
    where = observed.frequency_hz[off]
    band = (float(where[0]), float(where[-1])) if where.size else None
    # distance() gives numbers of unit variance, real parts then imaginary ones: over √2 their square sums have mean one
    real, imaginary = observed.distance(predicted).reshape(2, *left.T.shape) / math.sqrt(2)
    ratio = np.maximum(np.abs(observed.values), LEAST) / np.maximum(np.abs(predicted), LEAST)
    return Remainder(
        hz=observed.frequency_hz,
        names=observed.names,
        residual=left.T,
        sigma=observed.size.T,
        whitened=np.asarray(real + 1j * imaginary, dtype=np.complex128),
        db=np.asarray(20 * np.log10(ratio).T, dtype=np.float64),
        band_hz=band,
    )
