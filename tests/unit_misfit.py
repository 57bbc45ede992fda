"""How well the program's circuit model can follow a reference unit: the model fitted to its exact three-port, and what is left.

The turns stay at the truth and the core is the intended one: what is left is the difference of structure, with no measurement
error in it. A diagnosis must live with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.sampler import SamplerCircuit, three_port
from tests.unit_population import Unit, intended_circuit

REFLECTION = 10 ** (-45 / 20)
"""Weight of a reflection: the residual error of a good bench."""
TRANSMISSION = 0.005
"""Weight of a transmission, relative."""
FREE = (
    "core_factor", "primary_leakage", "winding_leakage", "winding_resistance", "winding_capacitance", "stray_capacitance",
    "braid_loop_inductance", "braid_ground_capacitance", "braid_winding_capacitance", "sample_capacitance",
)  # fmt: skip
MOST_TIMES = 5.0
"""One standard deviation of a free part: this many times its nominal value, or as little."""
MOST_TRIES = 100


@dataclass(frozen=True)
class Misfit:
    """What the best fit leaves: coupling dB (worst of S31, S32), insertion dB, and reflections as linear magnitudes."""

    coupling_db: float
    through_db: float
    line: float
    sample: float


def fitted(unit: Unit, frequency_hz: NDArray[np.float64], s: NDArray[np.complex128]) -> SamplerCircuit:
    """Return the program's circuit, turns at the truth, fitted to the three-port ``s`` (F, 3, 3)."""
    from scipy.optimize import least_squares

    start = replace(intended_circuit(unit), turns=float(unit.turns))
    sigma = np.full(s.shape, REFLECTION)
    off = ~np.eye(3, dtype=bool)
    sigma[:, off] = TRANSMISSION * np.abs(s[:, off])

    def residual(x: NDArray[np.float64]) -> NDArray[np.float64]:
        rest = ((three_port(_moved(start, x), frequency_hz) - s) / sigma).ravel()
        return np.concatenate([rest.real, rest.imag])

    width = np.full(len(FREE) + 4, np.log(MOST_TIMES))
    width[len(FREE) + 2 :] = 0.05, 0.02  # the cable's impedance and the resistor are known well

    def with_priors(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate([residual(x), x / width])

    best = least_squares(with_priors, np.zeros(width.size), x_scale=width, max_nfev=MOST_TRIES)
    return _moved(start, best.x)


def _moved(start: SamplerCircuit, x: NDArray[np.float64]) -> SamplerCircuit:
    times = np.exp(x)
    parts = {name: getattr(start, name) * factor for name, factor in zip(FREE, times, strict=False)}
    before, after, impedance, resistor = times[len(FREE) :]
    inside = start.internal_resistor
    return replace(
        start,
        line_before=replace(start.line_before, length=0.025 * before, impedance=50 * impedance),
        line_after=replace(start.line_after, length=0.025 * after, impedance=50 * impedance),
        internal_resistor=None if inside is None else inside * resistor,
        **parts,
    )


def misfit(unit: Unit, frequency_hz: NDArray[np.float64], high_hz: float, low_hz: float = 1.8e6) -> Misfit:
    """Return the largest differences over a range of frequency, the model fitted to that range alone."""
    keep = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    grid, s = frequency_hz[keep], unit.s[keep]
    model = three_port(fitted(unit, grid, s), grid)
    ratio = np.abs(20 * np.log10(np.abs(model) / np.abs(s)))
    apart = np.abs(model - s)
    return Misfit(
        coupling_db=float(ratio[:, 2, :2].max()),
        through_db=float(ratio[:, 1, 0].max()),
        line=float(apart[:, (0, 1), (0, 1)].max()),
        sample=float(apart[:, 2, 2].max()),
    )
