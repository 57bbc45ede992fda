"""A transmitter, a line, a unit and an instrument, as they truly are: everything is drawn and solved here, nothing is taken from
``harness.analysis.reading``.

The unit is its true three-port. The transmitter's wave goes into line in; line out sees the line's load; the sample port sees
pads, a cable and the instrument's input as they truly are. All three ends are solved together at every frequency.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Z0 = 50.0
CARRIERS_HZ = ((1.81e6, 2.0e6), (3.5e6, 4.0e6), (7.0e6, 7.3e6), (10.1e6, 10.15e6), (14.0e6, 14.35e6), (18.068e6, 18.168e6))
HIGHEST_HZ = 60e6
"""The end of the population's sweeps: harmonics above it are left out."""
SAMPLES_A_CYCLE = 40
TONE_STEPS = 12
"""The modulation's frequency is the carrier's over this: as slow as a short trace allows."""


@dataclass(frozen=True)
class Waveform:
    """Name, depth, and the components beside the carrier's frequency: steps of the modulation's frequency, amplitude."""

    name: str
    depth: float | None
    components: tuple[tuple[int, float], ...]


def draw_waveform(rng: np.random.Generator) -> Waveform:
    """Return an unmodulated carrier, two equal tones, or AM."""
    name = rng.choice(["cw", "two-tone", "am"])
    if name == "cw":
        return Waveform("cw", None, ((0, 1.0),))
    if name == "two-tone":
        return Waveform("two-tone", None, ((-1, 1.0), (1, 1.0)))
    depth = float(rng.uniform(0.2, 1.0))
    return Waveform("am", depth, ((-1, depth / 2), (0, 1.0), (1, depth / 2)))


@dataclass(frozen=True)
class Input:
    """What hangs on the port, as it truly is. ``gamma1``, ``gamma2``, ``t``: of pads and cable, at the carrier and harmonics.

    ``load``: reflection of the instrument's 50 Ω (of the tee's load), each frequency its own; ``scope``: whether a high
    impedance is there, alone or beside the load; ``gain_db``: how far the instrument is off.
    """

    gamma1: Complex
    gamma2: Complex
    t: Complex
    load: Complex
    into: str
    farads: float
    gain_db: float

    def end(self, hz: Floats) -> Complex:
        """Return the reflection of the input."""
        if self.into == "50ohm":
            return self.load
        admittance = 1e-6 + 2j * np.pi * hz * self.farads
        if self.into == "tee":
            admittance = admittance + (1 - self.load) / (1 + self.load) / Z0
        return np.asarray((1 - Z0 * admittance) / (1 + Z0 * admittance), dtype=np.complex128)


@dataclass(frozen=True)
class Line:
    """What is true of the line at some frequencies: waves at line out (√W), into the load and back, and the load's reflection."""

    forward: Complex
    back: Complex

    @property
    def current(self) -> Complex:
        """A at line out."""
        return np.asarray((self.forward - self.back) / np.sqrt(Z0), dtype=np.complex128)

    @property
    def voltage(self) -> Complex:
        """V at line out."""
        return np.asarray((self.forward + self.back) * np.sqrt(Z0), dtype=np.complex128)


@dataclass(frozen=True)
class Solved:
    """The line, and what stands at the input: the wave that comes to it and the volts across it, √W and V, r.m.s. each."""

    line: Line
    wave: Complex
    volts: Complex


def solve(s: Complex, amplitude: Complex, gamma: Complex, at: Input, hz: Floats) -> Solved:
    """Return everything for waves ``amplitude`` (√W) into line in: a = Γ·b at the other ends, b = S·a, at each frequency."""
    end = at.end(hz)
    port = at.gamma1 + at.t**2 * end / (1 - at.gamma2 * end)
    ends = np.zeros((hz.size, 3, 3), dtype=np.complex128)
    ends[:, 1, 1], ends[:, 2, 2] = gamma, port
    source = np.zeros((hz.size, 3), dtype=np.complex128)
    source[:, 0] = amplitude
    out = np.linalg.solve(np.eye(3) - s @ ends, (s @ source[:, :, None]))[:, :, 0]
    comes = at.t * out[:, 2] / (1 - at.gamma2 * end)
    line = Line(np.asarray(out[:, 1], dtype=np.complex128), np.asarray(gamma * out[:, 1], dtype=np.complex128))
    return Solved(line, comes, np.asarray(comes * (1 + end) * np.sqrt(Z0), dtype=np.complex128))


def trace_of(hz: Floats, phasors: Complex, carrier: float) -> tuple[Floats, Floats]:
    """Return times in s and values of a sum of sines; ``phasors``: r.m.s. Two periods of the modulation, even samples."""
    count = 2 * TONE_STEPS * SAMPLES_A_CYCLE + 1
    seconds = np.arange(count) / (carrier * SAMPLES_A_CYCLE)
    turning = np.exp(2j * np.pi * hz * seconds[:, None])
    return seconds, np.sqrt(2) * np.real(turning @ phasors)


def in_disc(rng: np.random.Generator, bound: float, count: int) -> Complex:
    """Return reflections evenly in the disc of a bound."""
    size = bound * np.sqrt(rng.uniform(size=count))
    return np.asarray(size * np.exp(2j * np.pi * rng.uniform(size=count)), dtype=np.complex128)


def draw_line_load(rng: np.random.Generator, swr: float, count: int, *, at_most: bool) -> Complex:
    """Return reflections of the line's load: of this SWR, or evenly up to it; every phase, each frequency its own."""
    true = rng.uniform(1.0, swr, count) if at_most else np.full(count, swr)
    size = (true - 1) / (true + 1)
    return np.asarray(size * np.exp(2j * np.pi * rng.uniform(size=count)), dtype=np.complex128)


def mean_power(waves: Complex, back: Complex) -> float:
    """Return the mean power of many sines together: forward less reflected."""
    return float(np.sum(np.abs(waves) ** 2) - np.sum(np.abs(back) ** 2))


def crest_factor(hz: Floats, phasors: Complex, carrier: float) -> float:
    """Return the envelope's crest over the root of the mean square, from the phasors turning against each other."""
    seconds = np.linspace(0, TONE_STEPS / carrier, 2001)
    envelope = np.abs(np.exp(2j * np.pi * (hz - carrier) * seconds[:, None]) @ phasors)
    return float(envelope.max() / np.sqrt(np.sum(np.abs(phasors) ** 2)))


ThreePort = Callable[[Floats], Complex]


def harmonics_of(carrier: float, most: int = 6) -> Sequence[int]:
    """Return which harmonics lie within the population's sweeps."""
    return [number for number in range(2, most + 1) if number * carrier <= HIGHEST_HZ]
