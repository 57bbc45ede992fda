"""What nobody at the bench knows: how far standards, thru, receivers and cables are from what is taken of them.

A *size* is the bound that 95 % of benches keep at any one frequency. An error is a sum of a few phasors a·exp(−j2πft) with
complex normal amplitudes and free times: it is complex normal, its magnitude exceeds the size with a probability of 5 %
(Rayleigh: size = sqrt(−2·ln 0.05)·σ), it turns slowly with frequency, and is another on every bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from drivers.simulated.algebra import Complexes, Floats
from drivers.simulated.error_terms import RAYLEIGH_95, Reflections
from drivers.simulated.parts import draws
from harness.records import SimulatedEntry

LONGEST_TIME = 10e-9
"""An error turns as a reflection at up to this time, there and back: 1 m of cable. Chosen, no source."""
LINEARITY_DB = 10.0
"""The level below a total reflection, or the thru, at which a receiver is off by its linearity error."""
PHASORS = 4
"""How many of them make one error. Chosen, no source."""
NOTHING = Reflections((), ())


def draw_normal(rng: np.random.Generator, size: float) -> complex:
    """Return a complex normal number whose magnitude exceeds ``size`` with a probability of 5 %."""
    return complex(rng.normal(), rng.normal()) * size / RAYLEIGH_95


def draw_error(rng: np.random.Generator, size: float) -> Reflections:
    """Return an error of a linear ``size`` (95 %): PHASORS complex normal amplitudes, each turning at its own rate."""
    amplitudes = tuple(draw_normal(rng, size / np.sqrt(PHASORS)) for _ in range(PHASORS))
    return Reflections(amplitudes, tuple(float(time) for time in rng.uniform(0.0, LONGEST_TIME, size=PHASORS)))


def plus(*scaled: tuple[float, Reflections]) -> Reflections:
    """Return the sum of errors, each times a real number."""
    amplitudes = tuple(scale * amplitude for scale, error in scaled for amplitude in error.amplitudes)
    return Reflections(amplitudes, tuple(time for _, error in scaled for time in error.times))


@dataclass(frozen=True)
class HiddenErrors:
    """The true standards and receivers of one bench.

    ``standards``: "short", "open", "load" → what is added to the reflection of its model, on whichever port it is screwed.
    ``thru_match``: the reflection of the thru, at both ends. ``thru_transmission``: its transmission over its model's, less 1.
    ``leakage``: "forward", "reverse" → what leaks to the receiver only while a unit is connected, so that no isolation sweep
    shows it. ``linearity_db``: what a receiver shows too much, in dB, of a wave 10 dB below a total one; in proportion to the
    level in dB. ``flex``: 95 % bound, linear, of what one move of a cable changes of the waves in it. ``adapters``: unit
    connector → the reflection of the adapter there, in place of the one that the bench draws.
    """

    standards: Mapping[str, Reflections] = field(default_factory=dict)
    thru_match: Reflections = NOTHING
    thru_transmission: Reflections = NOTHING
    leakage: Mapping[str, Reflections] = field(default_factory=dict)
    linearity_db: float = 0.0
    flex: float = 0.0
    adapters: Mapping[str, Reflections] = field(default_factory=dict)

    def standard(self, kind: str, frequency_hz: Floats) -> Complexes:
        """Return what the standard's true reflection has over its model's, shape (F,)."""
        return self.standards.get(kind, NOTHING)(frequency_hz)

    def thru(self, model: Complexes, frequency_hz: Floats) -> Complexes:
        """Return the true thru, shape (F, 2, 2), from the matrix of its model."""
        through = 1 + self.thru_transmission(frequency_hz)
        s = model * through[:, None, None]
        match = self.thru_match(frequency_hz)
        s[:, 0, 0] += match
        s[:, 1, 1] += match
        return s

    def shown(self, wave: Complexes) -> Complexes:
        """Return what a receiver shows of a raw wave ratio, shape (F,)."""
        if self.linearity_db == 0.0:
            return wave
        level = -20 * np.log10(np.maximum(np.abs(wave), 1e-6))
        return np.asarray(wave * 10 ** (self.linearity_db * level / LINEARITY_DB / 20), dtype=np.complex128)


def draw_hidden(entry: SimulatedEntry) -> HiddenErrors:
    """Return the hidden errors of a bench file's table ``[simulated]``: the same seed and sizes, the same errors."""

    def error(what: str, size_db: float | None) -> Reflections:
        return NOTHING if size_db is None else draw_error(draws(entry.seed, "hidden", what), 10 ** (size_db / 20))

    return HiddenErrors(
        {kind: error(kind, entry.standards) for kind in ("short", "open", "load")},
        error("thru match", entry.thru),
        error("thru transmission", entry.thru),
        linearity_db=draw_normal(draws(entry.seed, "hidden", "linearity"), entry.linearity).real,
        flex=0.0 if entry.cable_flex is None else 10 ** (entry.cable_flex / 20),
    )
