"""How far a corrected sweep of a right hook-up may be from what the unit's circuit says: its covariance over frequency.

Errors of the bench turn slowly with frequency and hang together over it (see harness.records.residuals); what the circuit cannot
follow in a real unit grows with frequency and is alike at neighbouring ones; trace noise is independent, and taken large, since
nothing here rests on it. All sizes in proportion to a reading take the reading itself, so that they are the same for every scene.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.noise import noise_of
from harness.analysis.readings import Complex, Terminations
from harness.records import Residuals, Sweep

Floats = NDArray[np.float64]
POINTS = 14
"""Frequencies kept, about evenly spread over the logarithm of frequency."""
LEAST_NOISE = 2e-4
"""Noise taken where the data show less, linear."""
ALONE = 0.002
"""What each frequency may be off for itself, as a part of the reading: no circuit follows every bend of a core. Chosen."""
LONGEST_DELAY = 12e-9
"""Errors turn as reflections at up to 10 ns there and back (1 m of cable), and through the unit's line. Chosen, no source."""
RAYLEIGH = math.sqrt(-math.log(0.05))
"""A circular complex normal number exceeds this times its root mean square with a probability of 5 %."""

TOTAL = 0.3
"""A reflection that exceeds this somewhere is that of something that is not matched."""
_MODEL = {
    "line": (0.004, 1.2, 0.0008),
    "sample": (0.03, 1.0, 0.006),
    "through": (0.003, 1.3, 0.0003),
    "coupled": (0.02, 1.3, 0.002),
}
"""What the circuit cannot follow: (part at 100 MHz, power of frequency, part at every frequency). Chosen, no source."""


@dataclass(frozen=True)
class Seen:
    """A sweep at the frequencies kept. ``values``: (traces, F). ``whiten``: (n, n) for the traces one after the other."""

    name: str
    traces: tuple[str, ...]
    values: Complex = field(repr=False)
    whiten: Complex = field(repr=False)

    def distance(self, predicted: Complex) -> Floats:
        """Return readings less prediction (..., traces, F), whitened: (..., 2n) real numbers of unit variance."""
        return self.white((self.values - predicted).reshape(*predicted.shape[:-2], -1))

    def white(self, difference: Complex) -> Floats:
        """Return a difference of shape (..., n) whitened: real parts, then imaginary ones."""
        turned = difference @ self.whiten.T * math.sqrt(2)
        return np.concatenate([turned.real, turned.imag], axis=-1)


def kept(frequency_hz: Floats) -> NDArray[np.intp]:
    """Return the indices of the frequencies kept, each once."""
    if frequency_hz.size <= POINTS:
        return np.arange(frequency_hz.size)
    wanted = np.geomspace(frequency_hz[0], frequency_hz[-1], POINTS)
    return np.unique(np.abs(np.log(frequency_hz[:, np.newaxis] / wanted)).argmin(axis=0))


def seen(sweep: Sweep, name: str, terminations: Terminations, residuals: Residuals, index: NDArray[np.intp]) -> Seen:
    """Return the sweep as the guard weighs it."""
    full = {"s11", "s21", "s12", "s22"} <= set(sweep.traces)
    traces = tuple(key for key in ("s11", "s21", "s12", "s22") if key in sweep.traces and (full or key in ("s11", "s21")))
    frequency = sweep.frequency_hz[index]
    values = np.stack([sweep.trace(trace)[index] for trace in traces])
    ends = _ends(terminations, full)
    level = dict(zip(traces, np.abs(values), strict=True))
    inward = {trace: level["s22" if trace in ("s12", "s22") else "s11"] for trace in traces}
    size_of = sizes(residuals)
    blocks = [_Trace(frequency, trace, name, level[trace], inward[trace]).covariance(size_of, ends) for trace in traces]
    noises = [max(3 * noise_of(sweep.trace(trace)), LEAST_NOISE) for trace in traces]
    size = index.size
    whiten = np.zeros((size * len(traces),) * 2, dtype=np.complex128)
    for number, (block, noise) in enumerate(zip(blocks, noises, strict=True)):
        place = slice(number * size, (number + 1) * size)
        alone = np.square(noise) + np.square(ALONE * np.abs(values[number]))
        whiten[place, place] = np.linalg.inv(np.linalg.cholesky(block + np.diag(alone)))
    return Seen(name, traces, values, whiten)


def _ends(terminations: Terminations, full: bool) -> float:
    """Return the r.m.s. error of what the unit's other connectors see, linear."""
    bounds = [load.bound for load in terminations.loads.values()]
    if terminations.receiver is not None and not full:
        bounds.append(terminations.receiver.bound)
    return max(bounds, default=0.0) / math.sqrt(2)


def _linear(level_db: float) -> float:
    return float(10 ** (level_db / 20)) / RAYLEIGH


def _share(size_db: float) -> float:
    return float(10 ** (size_db / 20) - 1) / RAYLEIGH


def sizes(residuals: Residuals) -> Mapping[str, float]:
    """Return the r.m.s. sizes of a bench's residual errors, linear."""
    levels = ("directivity", "source_match", "receiver_match", "isolation", "connector", "drift")
    shares = ("reflection_tracking", "transmission_tracking", "linearity", "cable")
    found = {name: _linear(getattr(residuals, name)) for name in levels}
    found |= {name: _share(getattr(residuals, name)) for name in shares}
    found["adapters"] = max((10 ** (level / 20) / math.sqrt(2) for level in residuals.adapters.values()), default=0.0)
    return found


@dataclass(frozen=True)
class _Trace:
    """One trace at the frequencies kept. ``level``: its magnitude, (F,); ``inward``: that of what the driving port sees, (F,)."""

    frequency_hz: Floats
    trace: str
    name: str
    level: Floats
    inward: Floats

    @property
    def reflects(self) -> bool:
        """Whether it is a reflection."""
        return self.trace in ("s11", "s22")

    def covariance(self, size: Mapping[str, float], ends: float) -> Complex:
        """Return its covariance, (F, F), but for what is independent from frequency to frequency."""
        apart = self.frequency_hz[:, np.newaxis] - self.frequency_hz
        turning = np.exp(-1j * np.pi * apart * LONGEST_DELAY) * np.sinc(apart * LONGEST_DELAY)
        bench, adapters, model = self._bench(size, ends), self._adapters(size), self._model()
        near = math.sqrt(3) * np.abs(np.log(self.frequency_hz[:, np.newaxis] / self.frequency_hz))
        alike = (1 + near) * np.exp(-near)  # Matérn, 3/2
        # An adapter that is seen from its far side may turn either way.
        either = np.sinc(2 * apart * LONGEST_DELAY)
        total = turning * np.outer(bench, bench) + either * np.outer(adapters, adapters) + alike * np.outer(model, model)
        return np.asarray(total, dtype=np.complex128)

    def _bench(self, size: Mapping[str, float], ends: float) -> Floats:
        """Return what the bench leaves, r.m.s., (F,). ``ends``: error of what the other connectors see."""
        parts: list[float | Floats]
        if self.reflects:
            parts = [
                size["directivity"], size["source_match"] * self.level**2, size["reflection_tracking"] * self.level,
                size["connector"], size["drift"] * (1 + self.level), 2 * size["cable"] * self.level, ends, size["receiver_match"],
            ]  # fmt: skip
        else:
            below = np.maximum(-20 * np.log10(np.maximum(self.level, 1e-9)), 0) / 10
            relative = [
                size["transmission_tracking"], size["source_match"] * self.inward, size["linearity"] * below, size["connector"],
                2 * size["drift"], 2 * size["cable"], ends, size["receiver_match"],
            ]  # fmt: skip
            parts = [size["isolation"], *(part * self.level for part in relative)]
        squares = [np.square(np.asarray(part, dtype=np.float64)) * np.ones_like(self.level) for part in parts]
        return np.asarray(np.sqrt(np.sum(squares, axis=0)), dtype=np.float64)

    def _adapters(self, size: Mapping[str, float]) -> Floats:
        """Return what two adapters leave, r.m.s., (F,)."""
        return math.sqrt(2) * size["adapters"] * (np.ones_like(self.level) if self.reflects else self.level)

    def _model(self) -> Floats:
        """Return what the circuit cannot follow, (F,)."""
        kind = (
            ("line" if self.level.max() < TOTAL else "sample")
            if self.reflects
            else "through"
            if self.name == "line"
            else "coupled"
        )
        share, power, floor = _MODEL[kind]
        part = share * (self.frequency_hz / 100e6) ** power + floor
        return part if self.reflects else part * self.level
