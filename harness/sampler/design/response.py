"""Coupling, line match and low end over the band, by the full circuit model or by the fast one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from harness.sampler.circuit import SamplerCircuit
from harness.sampler.closed_form import loss_db, low_corner, scattering
from harness.sampler.design.fast import Complexes, Floats, load_ohm, resistors_of, transformer_of
from harness.sampler.design.made import Made
from harness.sampler.design.result import Couplings, Curve, Line, LowEnd
from harness.sampler.network import three_port

Z0 = 50.0
SCOPE_OHM = 1e6
SCOPE_FARAD = 15e-12
"""A scope's input, Ω and F: usual sizes, an assumption."""
LOW_A_L = 0.75
"""A_L at the low end of its ± 25 %."""
MOST_DB = 200.0

_Chain = tuple[Complexes, Complexes, Complexes, Complexes]


def curve(db: Floats) -> Curve:
    """Return a curve of these values in dB, lowest frequency first."""
    high, low = float(db.max()), float(db.min())
    return Curve(tuple(float(one) for one in db), (high + low) / 2, (high - low) / 2, float(db[0]), float(db[-1]))


def whole_matrix(made: Made, frequency_hz: Floats) -> Complexes:
    """Return the S-matrix of a design by the full model, shape (F, 3, 3), a second winding attached where there is one."""
    matrix = three_port(made.first, frequency_hz)
    return matrix if made.second is None else attach(matrix, second_chain(made.second, frequency_hz))


def _times(one: _Chain, other: _Chain) -> _Chain:
    a, b, c, d = one
    e, f, g, h = other
    return a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h


def second_chain(circuit: SamplerCircuit, frequency_hz: Floats) -> _Chain:
    """Return the chain matrix of a second winding, from its one-turn lead to the sample port."""
    omega = 2 * np.pi * frequency_hz
    part = transformer_of(circuit, frequency_hz)
    one, none = np.ones(omega.size, dtype=np.complex128), np.zeros(omega.size, dtype=np.complex128)

    def series(impedance: Any) -> _Chain:
        return one, impedance * one, none, one

    def shunt(admittance: Any) -> _Chain:
        return one, none, admittance * one, one

    chain = _times(series(1j * omega * (part.leak_l + part.loop_l)), shunt(part.core_y))
    chain = _times(chain, (one / part.turns, none, none, part.turns * one))
    chain = _times(chain, series(part.winding_impedance(omega)))
    chain = _times(chain, shunt(1j * omega * part.capacitance))
    resistors = resistors_of(circuit.internal_resistor, circuit.pad)
    if resistors.inside is not None:
        chain = _times(chain, shunt(1 / resistors.inside))
    if resistors.pad_kind is not None:
        chain = _times(_times(chain, shunt(1 / resistors.first)), series(resistors.second))
        chain = _times(chain, shunt(1 / resistors.third)) if resistors.pad_kind == "pi" else chain
    return _times(chain, shunt(1j * omega * circuit.sample_capacitance))


def attach(matrix: Complexes, chain: _Chain) -> Complexes:
    """Return a three-port with a chain two-port on its port 3; the two-port's far end becomes port 3. 50 Ω throughout."""
    a, b, c, d = chain
    total = a + b / Z0 + c * Z0 + d
    near, far = (a + b / Z0 - c * Z0 - d) / total, (-a + b / Z0 - c * Z0 + d) / total
    forward, backward = 2 / total, 2 * (a * d - b * c) / total
    loop = 1 / (1 - matrix[:, 2, 2] * near)
    made = np.empty_like(matrix)
    made[:, :2, :2] = matrix[:, :2, :2] + (near * loop)[:, None, None] * matrix[:, :2, 2:] * matrix[:, 2:, :2]
    made[:, 2, :2] = (forward * loop)[:, None] * matrix[:, 2, :2]
    made[:, :2, 2] = (backward * loop)[:, None] * matrix[:, :2, 2]
    made[:, 2, 2] = far + forward * backward * matrix[:, 2, 2] * loop
    return made


def port_ratio(matrix: Complexes, admittance: Any) -> Complexes:
    """Return the volts on the sample port over those of the matched line, for this admittance (S) on the port."""
    gamma = (1 / Z0 - admittance) / (1 / Z0 + admittance)
    return np.asarray(matrix[:, 2, 0] * (1 + gamma) / (1 - matrix[:, 2, 2] * gamma), dtype=np.complex128)


def couplings(matrix: Complexes, frequency_hz: Floats) -> Couplings:
    """Return the couplings of a three-port for what may hang on its sample port."""
    scope = 1 / SCOPE_OHM + 2j * np.pi * frequency_hz * SCOPE_FARAD
    return Couplings(
        into_50=curve(loss_db(matrix[:, 2, 0])),
        with_tee_load=curve(loss_db(port_ratio(matrix, 2 / Z0))),
        scope_and_load=curve(loss_db(port_ratio(matrix, 1 / Z0 + scope))),
        scope_alone=curve(loss_db(port_ratio(matrix, scope))),
    )


def line_figures(made: Made, frequency_hz: Floats, s11: Complexes, s21: Complexes, series: Complexes) -> Line:
    """Return the line's figures from its S11 and S21 and the winding's impedance in series with it."""
    alone = scattering(series, 1.0)
    returned, inserted = np.minimum(loss_db(s11), MOST_DB), loss_db(s21)
    return Line(
        insertion_loss_db=float(inserted.max()),
        return_loss_db=float(returned.min()),
        swr=swr(float(np.abs(s11).max())),
        insertion_loss_at_db=tuple(float(one) for one in inserted),
        return_loss_at_db=tuple(float(one) for one in returned),
        winding_insertion_loss_db=float(loss_db(alone.s21).max()),
        winding_return_loss_db=float(np.minimum(loss_db(alone.s11), MOST_DB).min()),
        winding_swr=swr(float(np.abs(alone.s11).max())),
        winding_series_ohm=float(np.abs(series).max()),
        heat=_line_heat(made, float(frequency_hz[-1])),
    )


def _line_heat(made: Made, highest_hz: float) -> float | None:
    """Return the heat in the line at full power and SWR; the loss grows with (s + 1/s)/2 (mean square of the current)."""
    wish, cable = made.wish, made.cable
    if cable.loss_db_per_m is None or cable.loss_frequency is None:
        return None
    lost = cable.loss_db_per_m.value * wish.line_length * math.sqrt(highest_hz / cable.loss_frequency.value)
    return wish.line_power * (1 - 10 ** (-lost / 10)) * (wish.line_swr + 1 / wish.line_swr) / 2


def swr(reflection: float) -> float:
    """Return (1 + abs(Γ))/(1 − abs(Γ)); infinite for a total reflection."""
    return (1 + reflection) / (1 - reflection) if reflection < 1 else math.inf


def winding_loads(made: Made) -> tuple[float, ...]:
    """Return R_p in Ω of each winding with 50 Ω on the sample port, all reactances left out."""
    last = made.circuits[-1]
    load = load_ohm(resistors_of(last.internal_resistor, last.pad))
    return (load,) if made.second is None else (load / made.second.turns**2, load)


def low_end(made: Made, into_50: Curve, drop_db: float) -> LowEnd:
    """Return the low corner f_L = R_p/(2π·N²·A_L), the higher of two windings', and what the low edge reads.

    ``drop_db``: how much more the low edge reads with A_L 25 % low.
    """
    loads = winding_loads(made)
    corners = [
        low_corner(turns, load, part.a_l * circuit.core_factor)
        for turns, load, part, circuit in zip(made.turns, loads, made.cores, made.circuits, strict=True)
    ]
    corner, a_l = max(corners), made.cores[0].a_l * made.first.core_factor
    return LowEnd(a_l, corner, corner / LOW_A_L, into_50.low_edge_db, into_50.low_edge_db + drop_db)
