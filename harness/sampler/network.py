"""Solving the sampler's circuit: modified nodal analysis, all frequencies in one batched solve.

Line sections and the sample side are chain (ABCD) two-ports, which stay finite at zero length and zero resistance; what is
left is a system of ten unknowns at each frequency. See ``circuit`` for the topology.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.errors import DataError
from harness.sampler.circuit import LineSection, Pad, SamplerCircuit
from harness.sampler.core import gap_admittance

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LIGHT = 299792458.0
"""Speed of light in m/s."""
_NEPER_IN_DB = 20 / np.log(10)

# Unknowns: voltages of the centre conductor either side of the core, of the braid either side, of the winding's end and of the
# sample port; currents of centre, braid and winding; volts per turn.
_CA, _CB, _B1, _B2, _W, _V3, _IC, _IB, _IW, _VT = range(10)
_SIZE = 10


class _Chain(NamedTuple):
    """A chain two-port: V1 = a·V2 + b·I2, I1 = c·V2 + d·I2, I2 leaving."""

    a: Complexes
    b: Complexes
    c: Complexes
    d: Complexes

    def then(self, other: _Chain) -> _Chain:
        """Return this two-port followed by the other."""
        return _Chain(
            self.a * other.a + self.b * other.c,
            self.a * other.b + self.b * other.d,
            self.c * other.a + self.d * other.c,
            self.c * other.b + self.d * other.d,
        )


def _series(impedance: Complexes) -> _Chain:
    one = np.ones_like(impedance)
    return _Chain(one, impedance, 0 * one, one)


def _shunt(admittance: Complexes) -> _Chain:
    one = np.ones_like(admittance)
    return _Chain(one, 0 * one, admittance, one)


def _line(line: LineSection, omega: Floats) -> _Chain:
    """Return a line section; loss as series resistance per metre, R′ = 2·Z0·α."""
    per_metre = omega / (LIGHT * line.velocity_factor)
    nepers = line.loss_db_per_m / _NEPER_IN_DB * (omega / (2 * np.pi * line.loss_frequency)) ** line.loss_exponent
    series = (2 * nepers + 1j * per_metre) * line.impedance
    shunt = 1j * per_metre / line.impedance
    angle = np.sqrt(series * shunt) * line.length
    impedance = np.sqrt(series / shunt)
    cosh, sinh = np.cosh(angle), np.sinh(angle)
    return _Chain(cosh, impedance * sinh, sinh / impedance, cosh)


def _pieces(circuit: SamplerCircuit) -> tuple[list[LineSection], list[LineSection]]:
    """Return the line's pieces before and after the core, both in order from the connector to the core."""
    before, after, wrong = circuit.line_before, circuit.line_after, circuit.mismatch
    if wrong is None:
        return [before], [after]
    inserted, at = wrong.as_line(), wrong.position
    if at < before.length:
        return [replace(before, length=at), inserted, replace(before, length=before.length - at)], [after]
    from_far_end = max(before.length + after.length - at, 0.0)
    return [before], [replace(after, length=from_far_end), inserted, replace(after, length=after.length - from_far_end)]


def _cascade(pieces: Sequence[LineSection], omega: Floats) -> _Chain:
    chain = _line(pieces[0], omega)
    for piece in pieces[1:]:
        chain = chain.then(_line(piece, omega))
    return chain


def _pad_chain(pad: Pad, one: Complexes) -> _Chain:
    if pad.kind == "tee":
        return _series(pad.first * one).then(_shunt(one / pad.second)).then(_series(pad.third * one))
    chain = _shunt(one / pad.first).then(_series(pad.second * one))
    return chain.then(_shunt(one / pad.third)) if pad.kind == "pi" else chain


def _sample_chain(circuit: SamplerCircuit, omega: Floats) -> _Chain:
    """Return what stands between the winding's end W and the sample port."""
    one = np.ones_like(omega, dtype=np.complex128)
    start = circuit.winding_joint * one
    if circuit.winding_open:
        start = start + 1 / (1j * omega * max(circuit.break_capacitance, 1e-18))  # a break of no capacitance stays finite
    chain = _series(start)
    if circuit.internal_resistor is not None:
        chain = chain.then(_shunt(one / circuit.internal_resistor))
    if circuit.pad is not None:
        chain = chain.then(_pad_chain(circuit.pad, one))
    if circuit.sample_joint:
        chain = chain.then(_series(circuit.sample_joint * one))
    return chain.then(_shunt(1j * omega * circuit.sample_capacitance * one))


def _magnetising(circuit: SamplerCircuit, omega: Floats) -> Complexes:
    """Return the one-turn admittance of core, gap and shorted turns, in S."""
    frequency = omega / (2 * np.pi)
    total = circuit.core.admittance(frequency) / circuit.core_factor
    if circuit.core_gap and circuit.core.area is not None:
        total = total + gap_admittance(frequency, circuit.core_gap, circuit.core.area)
    if circuit.shorted_turns:
        closed = circuit.shorted_turns_resistance + 1j * omega * circuit.shorted_turns_leakage
        total = total + circuit.shorted_turns**2 / closed
    return total


class _Side(NamedTuple):
    """One side of the core: its line, the unknowns there, the sign of the primary current leaving towards the core."""

    chain: _Chain
    centre: int
    braid: int
    sign: float
    joint: float
    grounded: bool


def _sides(circuit: SamplerCircuit, omega: Floats) -> tuple[_Side, _Side]:
    before, after = _pieces(circuit)
    first, second = circuit.grounded
    return (
        _Side(_cascade(before, omega), _CA, _B1, 1.0, circuit.line_in_joint, first),
        _Side(_cascade(after, omega), _CB, _B2, -1.0, circuit.line_out_joint, second),
    )


def _port_current(side: _Side, stray: Complexes) -> Complexes:
    """Return the row that gives the current into the side's line connector, shape (unknowns, F)."""
    row = np.zeros((_SIZE, stray.size), dtype=np.complex128)
    row[side.centre] = side.chain.c + side.chain.d * stray
    row[side.braid] = -side.chain.c
    row[_W] = -side.chain.d * stray
    row[_IC] = side.sign * side.chain.d
    return row


def _side_rows(
    circuit: SamplerCircuit, side: _Side, omega: Floats, stray: Complexes, z0: float
) -> tuple[Complexes, Complexes, Complexes]:
    """Return the rows "source voltage of the port", "braid node" and "port current" of one side."""
    chain, current = side.chain, _port_current(side, stray)
    source = (z0 + side.joint) * current
    source[side.centre] += chain.a + chain.b * stray
    source[side.braid] += 1 - chain.a
    source[_W] -= chain.b * stray
    source[_IC] += side.sign * chain.b
    into = current.copy()  # all current into the braid node but the ground lead's
    to_winding = 0.5j * omega * circuit.braid_winding_capacitance
    into[side.centre] -= stray
    into[_W] += stray + to_winding
    into[_IC] -= side.sign
    into[_IB] -= side.sign
    # a braid that touches nothing at all would have no voltage: an attofarad gives it one
    least = 1e-18 if circuit.braid == "neither end" else 0.0
    to_ground = max(circuit.braid_ground_capacitance, least)
    into[side.braid] -= to_winding + 0.5j * omega * to_ground
    if not side.grounded:
        return source, into, current
    braid = -(circuit.braid_lead_resistance + 1j * omega * circuit.braid_lead_inductance) * into
    braid[side.braid] += 1
    return source, braid, current


def _fill_core(matrix: Complexes, circuit: SamplerCircuit, omega: Floats) -> None:
    """Write the rows of the conductors through the core: centre, braid, winding, and the core itself."""
    shared = 1j * omega * circuit.braid_loop_inductance
    turns = circuit.turns - circuit.shorted_turns
    matrix[4, _CA], matrix[4, _CB], matrix[4, _VT] = 1, -1, -1
    matrix[4, _IC], matrix[4, _IB] = -shared - 1j * omega * circuit.primary_leakage, -shared
    matrix[5, _B1], matrix[5, _B2], matrix[5, _VT] = 1, -1, -1
    matrix[5, _IC], matrix[5, _IB] = -shared, -shared - circuit.braid_resistance
    skin = np.sqrt(1 + omega / (2 * np.pi * circuit.winding_skin_frequency))
    matrix[6, _W], matrix[6, _VT] = 1, -turns
    matrix[6, _IW] = circuit.winding_resistance * skin + 1j * omega * circuit.winding_leakage
    if circuit.cold_break_capacitance is not None:
        matrix[6, _IW] += 1 / (1j * omega * circuit.cold_break_capacitance)
    matrix[9, _IC], matrix[9, _IB], matrix[9, _IW] = 1, 1, -turns
    matrix[9, _VT] = -_magnetising(circuit, omega)


def _fill_sample(
    matrix: Complexes, right: Complexes, circuit: SamplerCircuit, omega: Floats, stray: Complexes, z0: float
) -> None:
    """Write the rows of the winding's end and the sample port."""
    chain = _sample_chain(circuit, omega)
    to_braid = 0.5j * omega * circuit.braid_winding_capacitance
    matrix[7, _IW] = 1
    matrix[7, _W] = -1j * omega * circuit.winding_capacitance - 2 * stray - 2 * to_braid
    matrix[7, _CA] = matrix[7, _CB] = stray
    matrix[7, _B1] = matrix[7, _B2] = to_braid
    matrix[7, _V3] = -chain.c - chain.d / z0
    right[7, 2] = -chain.d / z0
    matrix[8, _W] = 1
    matrix[8, _V3] = -chain.a - chain.b / z0
    right[8, 2] = -chain.b / z0


def _assemble(circuit: SamplerCircuit, omega: Floats, z0: float) -> tuple[Complexes, Complexes, Complexes]:
    """Return matrix (10, 10, F), right-hand sides (10, 3, F) and the line-port currents' rows (2, 10, F)."""
    matrix = np.zeros((_SIZE, _SIZE, omega.size), dtype=np.complex128)
    right = np.zeros((_SIZE, 3, omega.size), dtype=np.complex128)
    stray: Complexes = np.asarray(0.5j * omega * circuit.stray_capacitance, dtype=np.complex128)
    currents = np.empty((2, _SIZE, omega.size), dtype=np.complex128)
    for index, side in enumerate(_sides(circuit, omega)):
        matrix[index], matrix[2 + index], currents[index] = _side_rows(circuit, side, omega, stray, z0)
        right[index, index] = 1
    _fill_core(matrix, circuit, omega)
    _fill_sample(matrix, right, circuit, omega, stray, z0)
    return matrix, right, currents


def three_port(circuit: SamplerCircuit, frequency_hz: ArrayLike, z0: float = 50.0) -> Complexes:
    """Return the circuit's S-matrix, shape (F, 3, 3), complex, port order line in, line out, sample.

    ``frequency_hz``: one-dimensional, all above zero; ``z0``: reference impedance of all ports in Ω. Raises DataError for a
    grid that is empty, not finite or not above zero.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    if frequency.ndim != 1 or frequency.size == 0 or not (np.isfinite(frequency).all() and (frequency > 0).all()):
        raise DataError(
            "the circuit model was given frequencies that are not a list of finite values above 0 Hz",
            hint="Give the grid in Hz.",
        )
    matrix, right, currents = _assemble(circuit, 2 * np.pi * frequency, z0)
    unknowns = np.linalg.solve(matrix.transpose(2, 0, 1), right.transpose(2, 0, 1))
    voltages = np.empty((frequency.size, 3, 3), dtype=np.complex128)
    voltages[:, :2] = -z0 * (currents.transpose(2, 0, 1) @ unknowns)
    voltages[:, 0, 0] += 1
    voltages[:, 1, 1] += 1
    voltages[:, 2] = unknowns[:, _V3]
    return np.asarray(2 * voltages - np.eye(3), dtype=np.complex128)


def three_ports(circuits: Sequence[SamplerCircuit], frequency_hz: ArrayLike, z0: float = 50.0) -> Complexes:
    """Return the S-matrices of several circuits on one grid, shape (circuits, F, 3, 3); see ``three_port``."""
    return np.stack([three_port(circuit, frequency_hz, z0) for circuit in circuits])
