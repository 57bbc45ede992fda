"""What is known of one unit at a frequency: its proof's coupling with interval, and the circuit of its type."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.analysis.levels import Array
from harness.analysis.reading.line import ideal_matrix
from harness.errors import DataError, UsageError
from harness.records import CouplingTable, Proof, SamplerType
from harness.sampler.design import Design, Parts
from harness.sampler.design.made import Made, make
from harness.sampler.design.response import whole_matrix
from harness.sampler.design.to_type import of_type

Complex = NDArray[np.complex128]
Where = Literal["proved band", "swept", "beyond"]
OF_NORMAL = 1.959963984540054
"""Half of a 95 % interval over the standard deviation of a normal distribution."""
S33_OFF = 0.02
"""How far the circuit's S33 may be off the unit's, in any direction: resistors of 1 % make 0.005 of it; chosen, no source."""


@dataclass(frozen=True)
class Circuit:
    """The circuit of the unit's type: ``matrix`` gives S, shape (F, 3, 3), at frequencies in Hz. ``made``: its parts.

    ``design``: all that the design engine says of the type.
    """

    matrix: Callable[[Array], Complex]
    made: Made
    design: Design


def circuit_of(type_: SamplerType, parts: Parts) -> Circuit:
    """Return the circuit of a type. UsageError: a part that the tables do not hold."""
    found = of_type(type_, parts, draws=0)
    made = make(found.wish, found.build, parts)
    return Circuit(lambda hz: whole_matrix(made, hz), made, found)


@dataclass(frozen=True)
class Coupling:
    """Coupling in dB at some frequencies (Hz), shape (F,), the 95 % interval, and where each of them lies.

    Beyond the sweep stands the nearest swept point's coupling; its interval says nothing there, and both ends are NaN.
    """

    hz: Array
    db: Array
    low: Array
    high: Array
    where: tuple[Where, ...]

    def draw(self, rng: np.random.Generator, draws: int) -> Array:
        """Return draws in dB, shape (draws, F): normal, each side with its own width; NaN beyond the sweep."""
        return np.asarray(self.db + self.off(rng.standard_normal((draws, self.hz.size))), dtype=np.float64)

    def off(self, z: Array) -> Array:
        """Return how far the coupling is off in dB for draws ``z`` of a standard normal, shape (draws, F)."""
        return np.asarray(z * np.where(z < 0, self.db - self.low, self.high - self.db) / OF_NORMAL, dtype=np.float64)


@dataclass(frozen=True)
class Known:
    """A unit as its proof knows it. ``circuit`` is None where the tables do not hold its parts, ``without`` says why."""

    unit: str
    type: SamplerType
    band_hz: tuple[float, float]
    table: CouplingTable
    circuit: Circuit | None
    without: str = ""

    @property
    def external(self) -> bool:
        """Whether the winding's load is outside, on the sample port."""
        return self.type.build.termination == "external" and self.type.build.shunt_ohm is None and self.type.build.pad_db is None

    def coupling(self, hz: Array) -> Coupling:
        """Return the coupling at frequencies in Hz, linear between the swept points."""
        at, table = np.asarray(hz, dtype=np.float64), self.table
        db, low, high = (np.interp(at, table.hz, values) for values in (table.db, table.low, table.high))
        beyond = (at < table.hz[0]) | (at > table.hz[-1])
        inside = (at >= self.band_hz[0]) & (at <= self.band_hz[1]) & ~beyond
        where = tuple(_where(bool(one), bool(other)) for one, other in zip(inside, beyond, strict=True))
        return Coupling(at, db, np.where(beyond, np.nan, low), np.where(beyond, np.nan, high), where)

    def matrix(self, hz: Array) -> Complex:
        """Return the circuit's S at frequencies in Hz, or an ideal sampler's, whose S33 is zero, where there is no circuit.

        Beyond the sweep it is that of the nearest swept frequency, as the coupling is.
        """
        inside = np.clip(hz, self.table.hz[0], self.table.hz[-1])
        return ideal_matrix(hz.size) if self.circuit is None else self.circuit.matrix(inside)

    def s33(self, hz: Array) -> Complex:
        """Return the sample port's reflection."""
        return np.asarray(self.matrix(hz)[:, 2, 2], dtype=np.complex128)

    def s33_draws(self, hz: Array, rng: np.random.Generator, draws: int) -> Complex:
        """Return draws of it, shape (draws, F): within S33_OFF of the circuit's; without a circuit all that its kind may be."""
        shape = (draws, hz.size)
        turned = np.exp(2j * np.pi * rng.uniform(size=shape))
        if self.circuit is not None:
            return np.asarray(self.s33(hz) + S33_OFF * np.sqrt(rng.uniform(size=shape)) * turned, dtype=np.complex128)
        size = np.ones(shape) if self.external else 0.1 * np.sqrt(rng.uniform(size=shape))
        return np.asarray(size * turned, dtype=np.complex128)


def _where(inside: bool, beyond: bool) -> Where:
    return "beyond" if beyond else "proved band" if inside else "swept"


def known_unit(proof: Proof, parts: Parts) -> Known:
    """Return what a proof knows of its unit. DataError: the proof holds no coupling over frequency with intervals."""
    circuit, without = None, ""
    try:
        circuit = circuit_of(proof.type, parts)
    except UsageError as error:
        without = error.message
    return Known(proof.unit, proof.type, proof.band_hz, _table(proof), circuit, without)


def _table(proof: Proof) -> CouplingTable:
    if proof.coupling_table is not None and len(proof.coupling_table.hz) >= 2:
        return proof.coupling_table
    points = [one for one in proof.coupling_at if one.low is not None and one.high is not None]
    if len(points) < 2:
        raise DataError(
            f"proof {proof.proof} of {proof.unit} holds no coupling with an interval at two frequencies or more",
            hint=f"It was made by an early version. Prove {proof.unit} again.",
        )
    return CouplingTable(
        hz=tuple(one.hz for one in points),
        db=tuple(one.db for one in points),
        low=tuple(float(one.low or 0.0) for one in points),
        high=tuple(float(one.high or 0.0) for one in points),
    )
