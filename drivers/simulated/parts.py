"""What lies on the simulated bench besides unit and analyser: standards, loads, connectors, adapters, cables."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np

from drivers.simulated.algebra import Z0, Complexes, Floats, from_chain, line, series_and_shunt
from harness.records import Adapter
from harness.records.bench_file import StandardsEntry


def draws(seed: int, *purpose: object) -> np.random.Generator:
    """Return a generator of random numbers that depends on the seed and on what it is for, and on nothing else."""
    text = "\x1f".join([str(seed), *(str(part) for part in purpose)])
    return np.random.default_rng(int.from_bytes(hashlib.sha256(text.encode()).digest()[:16], "big"))


def standard_reflection(kind: str, models: StandardsEntry, frequency_hz: Floats) -> Complexes:
    """Return the reflection of the standard "short", "open" or "load" by its model, shape (F,).

    Short: inductance at the end of an offset line; open: capacitance at the end of an offset line; load: resistance and
    inductance in series. The offset delay is one way.
    """
    omega = 2 * np.pi * frequency_hz
    if kind == "open":
        admittance = 1j * omega * models.open.capacitance * Z0
        return np.asarray((1 - admittance) / (1 + admittance) * np.exp(-2j * omega * models.open.delay))
    if kind == "short":
        impedance = 1j * omega * models.short.inductance / Z0
        return np.asarray((impedance - 1) / (impedance + 1) * np.exp(-2j * omega * models.short.delay))
    impedance = (models.load.resistance + 1j * omega * models.load.inductance) / Z0
    return np.asarray((impedance - 1) / (impedance + 1), dtype=np.complex128)


@dataclass(frozen=True)
class SimulatedLoad:
    """A load of the bench: a resistor a little off 50 Ω (Ω) with stray inductance in series (H; negative: capacitive)."""

    resistance: float
    inductance: float

    def reflection(self, frequency_hz: Floats) -> Complexes:
        """Return its reflection, shape (F,)."""
        impedance = (self.resistance + 2j * np.pi * frequency_hz * self.inductance) / Z0
        return np.asarray((impedance - 1) / (impedance + 1), dtype=np.complex128)


def draw_load(seed: int, name: str, return_loss_db: float, high_hz: float) -> SimulatedLoad:
    """Return the load ``name``: its return loss is within 2 dB of ``return_loss_db`` from zero to ``high_hz``.

    The resistance makes 0.85 to 0.95 of the reflection at either side of 50 Ω, the inductance 0.3 to 0.6 of it at ``high_hz``.
    """
    rng = draws(seed, "load", name)
    size = 10 ** (-return_loss_db / 20)
    real = size * rng.uniform(0.85, 0.95) * rng.choice([-1.0, 1.0])
    reactive = size * rng.uniform(0.3, 0.6) * rng.choice([-1.0, 1.0])
    inductance = 2 * Z0 * reactive / (2 * np.pi * high_hz)
    return SimulatedLoad(float(Z0 * (1 + real) / (1 - real)), float(inductance))


@dataclass(frozen=True)
class Contact:
    """How one join differs from the average of such joins: series resistance (Ω) and inductance (H), shunt capacitance (F).

    Inductance and capacitance are deviations and may be negative; the resistance is not, so a join never gives power.
    """

    resistance: float = 0.0
    inductance: float = 0.0
    capacitance: float = 0.0

    def s(self, frequency_hz: Floats) -> Complexes:
        """Return the join as a two-port, shape (F, 2, 2)."""
        omega = 2 * np.pi * frequency_hz
        impedance = np.asarray(self.resistance + 1j * omega * self.inductance, dtype=np.complex128)
        return series_and_shunt(impedance, np.asarray(1j * omega * self.capacitance, dtype=np.complex128))


def draw_contact(rng: np.random.Generator, repeatability_db: float, high_hz: float) -> Contact:
    """Return a fresh join: its reflection is, r.m.s., ``repeatability_db`` at ``high_hz`` and less, in proportion, below.

    Series inductance and shunt capacitance vary independently, so the transmitted phase varies as much as the reflection
    (in radians). The contact resistance makes a tenth of that at every frequency, and a little loss.
    """
    size = 10 ** (repeatability_db / 20)
    omega = 2 * np.pi * high_hz
    inductance, capacitance = rng.normal(size=2) * size * np.sqrt(2)
    resistance = abs(rng.normal()) * 0.1 * size * 2 * Z0
    return Contact(float(resistance), float(inductance * Z0 / omega), float(capacitance / (Z0 * omega)))


@dataclass(frozen=True)
class Offset:
    """The cable of a characterisation: length (m), loss one way at 100 MHz (dB, rising with the root of frequency), Ω."""

    length: float = 1.0
    loss_db: float = 0.15
    impedance: float = Z0

    def s(self, frequency_hz: Floats) -> Complexes:
        """Return it as a two-port, shape (F, 2, 2): coax with two thirds of the speed of light, skin effect in loss and angle."""
        nepers = self.loss_db / (20 / np.log(10)) * np.sqrt(frequency_hz / 100e6)
        angle = nepers * (1 + 1j) + 2j * np.pi * frequency_hz * self.length / 2e8
        cosh, sinh = np.cosh(angle), np.sinh(angle)
        return from_chain(cosh, self.impedance * sinh, sinh / self.impedance, cosh)


def draw_offset(seed: int) -> Offset:
    """Return the bench's offset: 0.8 to 1.6 m of a cable whose impedance is within ±1 Ω of 50 Ω in 95 of 100 benches."""
    rng = draws(seed, "offset")
    return Offset(float(rng.uniform(0.8, 1.6)), float(rng.uniform(0.08, 0.25)), float(Z0 + rng.normal() / 1.96))


def loose_contact(rng: np.random.Generator) -> Contact:
    """Return a connector that is not tight: 3 to 15 Ω and 5 to 20 nH in series (assumed; every loose connector is different)."""
    return Contact(float(rng.uniform(3.0, 15.0)), float(rng.uniform(5e-9, 20e-9)))


def tee_load(frequency_hz: Floats) -> Complexes:
    """Return a tee with a 50 Ω load on it, shape (F, 2, 2): the load is in parallel with what follows."""
    ones = np.ones(frequency_hz.shape, dtype=np.complex128)
    return series_and_shunt(0 * ones, ones / Z0)


STRAY_ADAPTER_DELAY = 120e-12
STRAY_ADAPTER_IMPEDANCE = 38.0
"""An adapter that was left in: about 30 mm of line that is not 50 Ω (assumed; UHF connectors have no constant impedance)."""

BOUND_ADAPTER_DELAY = 30e-12
"""Length of an adapter of which the bench file only gives a bound, in s."""


def stray_adapter(frequency_hz: Floats) -> Complexes:
    """Return an adapter that should not be there, shape (F, 2, 2)."""
    return line(frequency_hz, STRAY_ADAPTER_DELAY, impedance=STRAY_ADAPTER_IMPEDANCE)


def adapter_line(adapter: Adapter, rng: np.random.Generator, frequency_hz: Floats, high_hz: float) -> Complexes:
    """Return an adapter of the bench file as a short line, port 1 toward the cable, shape (F, 2, 2).

    Its delay is the file's, or 30 ps where none is given. Its impedance is off 50 Ω, to either side, so that at ``high_hz`` it
    reflects between 0.3 and 0.8 of the ``return_loss`` bound that the file gives for what calculation does not remove.
    """
    delay = BOUND_ADAPTER_DELAY if adapter.delay is None else adapter.delay
    wanted = rng.uniform(0.3, 0.8) * rng.choice([-1.0, 1.0]) * 10 ** (-adapter.return_loss / 20)
    angle = min(2 * np.pi * high_hz * delay, np.pi / 2)
    # A short line of impedance Z reflects half of (Z/Z0 − Z0/Z) times the sine of its angle.
    half = wanted / np.sin(angle) if angle > 0 else 0.0
    half = float(np.clip(half, -1.0, 1.0))
    return line(frequency_hz, delay, adapter.loss, float(Z0 * (half + np.sqrt(1 + half * half))))


def reflecting_adapter(adapter: Adapter, reflection: Complexes, frequency_hz: Floats) -> Complexes:
    """Return an adapter of the bench file that reflects ``reflection`` (F,) toward the cable, shape (F, 2, 2).

    Its delay and loss are as in :func:`adapter_line`; what it reflects it does not let through (a lossless obstacle).
    """
    delay = BOUND_ADAPTER_DELAY if adapter.delay is None else adapter.delay
    s = line(frequency_hz, delay, adapter.loss)
    turn = s[:, 1, 0] ** 2
    s *= np.sqrt(1 - np.abs(reflection) ** 2)[:, None, None]
    s[:, 0, 0] = reflection
    s[:, 1, 1] = -np.conj(reflection) * turn
    return s
