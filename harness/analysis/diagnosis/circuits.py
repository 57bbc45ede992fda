"""From the values of a fit to a circuit: what a healthy build leaves open, and what each fault changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.analysis.diagnosis.intended import SHAPE_CORNERS, Z0, FittedCore, Intended
from harness.analysis.diagnosis.knobs import Around, Knob, Offset
from harness.sampler import SamplerCircuit, three_port

WIRE = 1.15
"""The wire is this much longer than its turns: leads. Chosen, no source."""
BRAID_BOND = 0.06e-9
"""Inductance of the braid's bond in H, assumed: no sweep shows it in a healthy unit."""

Values = Mapping[str, float]
Fields = dict[str, Any]


@dataclass(frozen=True)
class Fitted:
    """A circuit and what stands between it and the sample connector: an inductance (H), then 50 Ω line (its one-way delay, s)."""

    circuit: SamplerCircuit
    sample_inductance: float
    sample_delay: float

    def matrix(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Return the S-matrix, shape (F, 3, 3)."""
        return self.outer(frequency_hz, self.inner(frequency_hz))

    def inner(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Return the S-matrix of the circuit alone, shape (F, 3, 3)."""
        return three_port(self.circuit, frequency_hz)

    def outer(self, frequency_hz: NDArray[np.float64], inner: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Return the S-matrix with the two-port cascaded to the third port of the circuit's (textbook), shape (F, 3, 3)."""
        s = inner.copy()
        series = 2j * np.pi * frequency_hz * self.sample_inductance / Z0
        through = 2 / (2 + series)
        bounced = (1 - through) / (1 - (1 - through) * s[:, 2, 2])
        row, column = s[:, 2, :].copy(), s[:, :, 2].copy()
        s += column[:, :, np.newaxis] * row[:, np.newaxis, :] * bounced[:, np.newaxis, np.newaxis]
        turn = (through * np.exp(-2j * np.pi * frequency_hz * self.sample_delay))[:, np.newaxis]
        s[:, 2, :] *= turn
        s[:, :, 2] *= turn
        s[:, 2, 2] += (1 - through) * np.exp(-4j * np.pi * frequency_hz * self.sample_delay)
        return s


def healthy_knobs(intended: Intended) -> tuple[Knob, ...]:
    """Return what a healthy build leaves open. Spreads are build tolerances: A_L ± 25 %, the others chosen, no source."""
    circuit = intended.circuit
    # where the dispersion is not known, what is seen at the lowest frequency tells less of A_L
    spread = 0.3 if intended.vague(intended.material) else 0.15
    found: list[Knob] = [
        Around("a_l", intended.air * intended.materials[intended.material].initial_permeability, spread),
        *shape_knobs(intended, intended.material),
        Around("leakage", circuit.winding_leakage / circuit.turns**2, 0.4),
        Around("capacitance", capacitance_per_turn(intended), 0.5),
        Around("sample capacitance", 0.7e-12, 0.5),
        Around("sample inductance", 8e-9, 0.8),
        Around("sample delay", 50e-12, 0.3),
        Around("impedance in", 49.0, 0.05),
        Around("impedance out", 45.0, 0.05),
        Around("length in", circuit.line_before.length, 0.15),
        Around("length out", circuit.line_after.length, 0.15),
        Around("primary leakage", 2.2e-9, 0.45),
        Around("stray", 0.08e-12, 0.8),
        Around("braid winding", 1.8e-12, 0.5),
        Around("loop", 5e-9, 0.4),
    ]
    if circuit.internal_resistor is not None:
        found.append(Around("resistor", circuit.internal_resistor, 0.007))
    return tuple(found)


def shape_knobs(intended: Intended, material: str) -> tuple[Knob, ...]:
    """Return how far the dispersion of a built core may be from its class's; those of a vague class may be farther."""
    corner = Around("corner", 1.0, 0.3 if intended.vague(material) else 0.15)
    bends = enumerate(intended.bend(material, each) for each in SHAPE_CORNERS)
    return (corner, *(Offset(f"bend {number}", 0.0, bend) for number, bend in bends))


def capacitance_per_turn(intended: Intended) -> float:
    """Return what a turn adds to the winding's capacitance to ground, F: less than it has, for it is spread along the winding."""
    return 0.35 * intended.circuit.winding_capacitance / intended.circuit.turns


def healthy_fields(intended: Intended, values: Values) -> Fields:
    """Return the fields of a healthy circuit with these values; ``turns`` are the intended ones where no value says otherwise."""
    base = intended.circuit
    turns = values.get("turns", base.turns)
    before = replace(base.line_before, impedance=values["impedance in"], length=values["length in"])
    after = replace(base.line_after, impedance=values["impedance out"], length=values["length out"])
    return {
        "turns": turns,
        "core": core_of(intended, values, intended.material),
        "line_before": before,
        "line_after": after,
        "primary_leakage": values["primary leakage"],
        "winding_leakage": values["leakage"] * turns**2,
        "winding_resistance": WIRE * base.winding_resistance * turns / base.turns,
        "winding_capacitance": values["capacitance"] * turns,
        "sample_capacitance": values["sample capacitance"],
        "stray_capacitance": values["stray"],
        "braid_winding_capacitance": values["braid winding"],
        "braid_lead_inductance": BRAID_BOND,
        "braid_loop_inductance": values["loop"],
        "internal_resistor": values.get("resistor"),
    }


def core_of(intended: Intended, values: Values, material: str) -> FittedCore:
    """Return the core of a class with the fit's values."""
    bends = tuple(values[f"bend {number}"] for number in range(len(SHAPE_CORNERS)))
    return FittedCore(intended.materials[material], values["a_l"], values["corner"], bends, intended.area)
