"""What stands between the sample port and the reading: pads, cables, and what the instrument is to the port.

All of it is one two-port with reflections Γ1 (port side), Γ2 (instrument side) and transmission t, ended by Γ_L. A wave b comes
out of the port into 50 Ω; the port itself reflects S33. At the input then stand::

    b·t/D, as an instrument for power shows it    D = (1 − S33·Γ1)(1 − Γ2·Γ_L) − S33·t²·Γ_L
    √50·b·t·(1 + Γ_L)/D volts, as a scope does

A power instrument is taken to be calibrated for a 50 Ω source (it shows the wave that comes to it), a scope to show the volts
across its input. A bounded reflection lies evenly in the disc of its bound, as for the loads of a proof.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.analysis.levels import Array
from harness.analysis.reading.level import Z0

Complex = NDArray[np.complex128]
Into = Literal["50ohm", "1Mohm", "tee"]
INTOS: tuple[Into, ...] = ("50ohm", "1Mohm", "tee")

SCOPE_OHM = 1e6
SCOPE_FARAD = (10e-12, 20e-12)
"""A scope's input capacitance where it is not stated: usual sizes, an assumption without a source."""
ASSUMED_RETURN_LOSS_DB = 26.0
"""Of whatever loads the port, where it is not stated (SWR 1.11): an assumption without a source."""
CABLE_LOSS_SHARE = 0.2
"""How far a cable's loss may be off its table, either way: an assumption without a source."""
UNKNOWN_LENGTH = math.inf


@dataclass(frozen=True)
class Pad:
    """A pad: dB, and how far it may be off, either way, evenly."""

    db: float
    tolerance_db: float = 0.0


@dataclass(frozen=True)
class CableRun:
    """A cable: what it is called, its loss in dB at ``loss_hz`` (growing with the root of frequency; None: at any), delay in s.

    ``seconds``: UNKNOWN_LENGTH where the phase that it turns is not known. ``share``: how far the loss may be off.
    """

    says: str
    loss_db: float
    loss_hz: float | None = None
    seconds: float = UNKNOWN_LENGTH
    share: float = CABLE_LOSS_SHARE

    def loss_at(self, hz: Array) -> Array:
        """Return the loss in dB at each frequency in Hz."""
        scale = np.ones_like(hz) if self.loss_hz is None else np.sqrt(hz / self.loss_hz)
        return np.asarray(self.loss_db * scale, dtype=np.float64)


@dataclass(frozen=True)
class Chain:
    """``reflection``: bound of abs(Γ) of what loads the port, and of pads; ``stated``: whether that was said or assumed.

    ``farads``: least and most of a scope's input. ``accuracy_db``: how far the instrument may be off, either way, evenly.
    """

    into: Into = "50ohm"
    pads: tuple[Pad, ...] = ()
    cables: tuple[CableRun, ...] = ()
    reflection: float = 10 ** (-ASSUMED_RETURN_LOSS_DB / 20)
    stated: bool = False
    farads: tuple[float, float] = SCOPE_FARAD
    accuracy_db: float = 0.0

    @property
    def pads_db(self) -> float:
        """The sum of all pads in dB."""
        return sum(pad.db for pad in self.pads)

    @property
    def least_db(self) -> float:
        """The least that the pads take, in dB, as far off as they may be."""
        return sum(pad.db - pad.tolerance_db for pad in self.pads)

    def least_at(self, hz: float) -> float:
        """Return the least that pads and cables take at a frequency in Hz, in dB."""
        at = np.array([hz])
        return self.least_db + sum(float(run.loss_at(at)[0]) * (1 - run.share) for run in self.cables)


@dataclass(frozen=True)
class Between:
    """The chain at some frequencies as it is, or as many draws of it: arrays that broadcast, frequency last."""

    t: Complex
    near: Complex
    far: Complex
    end: Complex

    def wave(self, s33: Complex) -> Array:
        """Return the wave at the input over that out of the port into 50 Ω, as magnitudes."""
        return np.asarray(np.abs(self.t / self._loops(s33)), dtype=np.float64)

    def volts(self, s33: Complex) -> Array:
        """Return the volts at the input over √50 times that wave."""
        return np.asarray(np.abs(self.t * (1 + self.end) / self._loops(s33)), dtype=np.float64)

    def _loops(self, s33: Complex) -> Complex:
        return np.asarray((1 - s33 * self.near) * (1 - self.far * self.end) - s33 * self.t**2 * self.end, dtype=np.complex128)


def nominal(chain: Chain, hz: Array) -> Between:
    """Return the chain as it is meant to be: no reflections but that of a scope's input, middle capacitance. Shape (F,)."""
    none = np.zeros(hz.shape, dtype=np.complex128)
    loss = chain.pads_db + sum((run.loss_at(hz) for run in chain.cables), np.zeros_like(hz))
    turned = np.exp(-2j * np.pi * hz * sum(run.seconds for run in chain.cables if math.isfinite(run.seconds)))
    farads = np.array(sum(chain.farads) / 2)
    return Between(np.asarray(10 ** (-loss / 20) * turned), none, none, _end(chain, hz, none, farads))


Part = Literal["match", "pads", "cables"]
ALL: tuple[Part, ...] = ("match", "pads", "cables")


def drawn(chain: Chain, hz: Array, rng: np.random.Generator, draws: int, parts: tuple[Part, ...] = ALL) -> Between:
    """Return draws of the chain, shape (draws, F); only ``parts`` of it are uncertain, the others as they are meant to be."""
    shape = (draws, hz.size)
    as_meant = nominal(chain, hz)
    t = np.broadcast_to(as_meant.t, shape)
    if "pads" in parts:
        off = sum((rng.uniform(-pad.tolerance_db, pad.tolerance_db, (draws, 1)) for pad in chain.pads), np.zeros((draws, 1)))
        t = t * 10 ** (-off / 20)
    if "cables" in parts:
        for run in chain.cables:
            t = t * 10 ** (-rng.uniform(-run.share, run.share, (draws, 1)) * run.loss_at(hz) / 20)
            if not math.isfinite(run.seconds):
                t = t * np.exp(2j * np.pi * rng.uniform(size=shape))
    if "match" not in parts:
        return Between(np.asarray(t), as_meant.near, as_meant.far, as_meant.end)
    near, far = (_in_disc(rng, chain.reflection, shape) if chain.pads else as_meant.near for _ in range(2))
    farads = rng.uniform(*chain.farads, (draws, 1))
    return Between(np.asarray(t), near, far, _end(chain, hz, _in_disc(rng, chain.reflection, shape), farads))


def _in_disc(rng: np.random.Generator, bound: float, shape: tuple[int, int]) -> Complex:
    size = bound * np.sqrt(rng.uniform(size=shape))
    return np.asarray(size * np.exp(2j * np.pi * rng.uniform(size=shape)), dtype=np.complex128)


def _end(chain: Chain, hz: Array, load: Complex, farads: Array) -> Complex:
    """Return Γ_L for the reflection ``load`` of the 50 Ω that is there; a scope's input stands across it."""
    if chain.into == "50ohm":
        return load
    fifty = (1 - load) / (1 + load) / Z0 if chain.into == "tee" else 0.0
    admittance = fifty + 1 / SCOPE_OHM + 2j * np.pi * hz * farads
    return np.asarray((1 - Z0 * admittance) / (1 + Z0 * admittance), dtype=np.complex128)


def mismatch_limits(one: float, other: float) -> tuple[float, float]:
    """Return least and most of the power share that two reflections of these magnitudes add: (1 ± Γ1·Γ2)² − 1 (textbook)."""
    return (1 - one * other) ** 2 - 1, (1 + one * other) ** 2 - 1
