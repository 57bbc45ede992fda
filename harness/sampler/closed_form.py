"""Closed forms of the sampler: what a designer can work out without a solver.

All take and return SI units and linear ratios; only names that end in ``_db`` are decibels. Ports are line in, line out, sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.errors import UsageError

Complexes = NDArray[np.complex128]


def _need_above_zero(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{what}: {value!r} is not above 0", hint="Give a finite number above 0.")


@dataclass(frozen=True)
class Lossless:
    """Scattering of a lossless sampler, externally terminated, in its own reference impedance; all values are real.

    ``s11`` = S22, ``s21`` = S12, ``s31`` = S13 = −S32, ``s33``.
    """

    s11: float
    s21: float
    s31: float
    s33: float


def lossless(turns: float) -> Lossless:
    """Return the exact S-parameters of an ideal core, external termination: D = 2N² + 1.

    S11 = 1/D, S21 = 2N²/D, S31 = 2N/D, S33 = (2N² − 1)/D. Raises UsageError for turns not above zero.
    """
    _need_above_zero("turns", turns)
    twice = 2.0 * float(turns) ** 2
    total = twice + 1
    return Lossless(s11=1 / total, s21=twice / total, s31=2 * turns / total, s33=(twice - 1) / total)


def winding_load(internal_ohm: float | None = None, port_ohm: float = 50.0) -> float:
    """Return R_p in Ω, what loads the winding: the instrument on the sample port, and a resistor inside beside it."""
    _need_above_zero("load of the sample port (Ω)", port_ohm)
    if internal_ohm is None:
        return port_ohm
    _need_above_zero("internal resistor (Ω)", internal_ohm)
    return internal_ohm * port_ohm / (internal_ohm + port_ohm)


def series_impedance(turns: float, load_ohm: float, core_admittance: ArrayLike = 0.0) -> Complexes:
    """Return Z_s = Z_c ∥ (R_p/N²) in Ω, what the sampler puts in series with the line; ideal winding.

    ``core_admittance``: 1/Z_c of one turn in S, one value for each frequency; zero for an ideal core. Same shape back.
    """
    _need_above_zero("turns", turns)
    _need_above_zero("load of the winding (Ω)", load_ohm)
    total = np.asarray(core_admittance, dtype=np.complex128) + turns**2 / load_ohm
    return np.asarray(1.0 / total, dtype=np.complex128)


@dataclass(frozen=True)
class Scattering:
    """S11, S21 and S31 by the series-impedance form, complex, each of the shape of the impedance."""

    s11: Complexes
    s21: Complexes
    s31: Complexes


def scattering(series: ArrayLike, turns: float, z0: float = 50.0) -> Scattering:
    """Return S11 = Z_s/(2Z0 + Z_s), S21 = 1/(1 + Z_s/2Z0), S31 = Z_s·N/Z0·S21 (the voltage at the sample port).

    ``series``: Z_s in Ω with the sample port's 50 Ω in it. Without a pad, the voltage at the port is the winding's.
    """
    impedance = np.asarray(series, dtype=np.complex128)
    s21 = 1 / (1 + impedance / (2 * z0))
    return Scattering(s11=impedance / (2 * z0 + impedance), s21=s21, s31=impedance * turns / z0 * s21)


def loss_db(ratio: ArrayLike) -> NDArray[np.float64]:
    """Return −20·log10 abs(ratio): coupling, insertion loss or return loss in dB, positive; a ratio of zero gives infinity."""
    with np.errstate(divide="ignore"):
        return np.asarray(-20 * np.log10(np.abs(np.asarray(ratio))), dtype=np.float64)


def low_corner(turns: float, load_ohm: float, a_l: float) -> float:
    """Return f_L = R_p/(2π·N²·A_L) in Hz, where coupling is 3 dB down; ``a_l`` in H for one turn squared."""
    for what, value in (("turns", turns), ("load of the winding (Ω)", load_ohm), ("A_L (H)", a_l)):
        _need_above_zero(what, value)
    return load_ohm / (2 * math.pi * turns**2 * a_l)


@dataclass(frozen=True)
class LowEnd:
    """Loss in dB (positive) and phase lead in degrees of a first-order low end."""

    loss_db: float
    phase_deg: float


def low_end(ratio: float) -> LowEnd:
    """Return loss and phase at ``ratio`` = f/f_L: 10·log10(1 + 1/x²) and atan(1/x)."""
    _need_above_zero("frequency over the low corner", ratio)
    return LowEnd(loss_db=10 * math.log10(1 + 1 / ratio**2), phase_deg=math.degrees(math.atan(1 / ratio)))


def turns_for(coupling_db: float) -> int:
    """Return the rule of the trade, N = 10^(dB/20) rounded: ideal core, external termination."""
    _need_above_zero("coupling (dB)", coupling_db)
    return max(1, math.floor(10 ** (coupling_db / 20) + 0.5))


def ideal_coupling_db(turns: float, load_ohm: float = 50.0, z0: float = 50.0) -> float:
    """Return the coupling in dB of an ideal core, the winding loaded with ``load_ohm`` (25 Ω when loaded twice)."""
    return float(loss_db(scattering(series_impedance(turns, load_ohm), turns, z0).s31))


def wire_diameter(awg: int) -> float:
    """Return the bare diameter of a wire in m by ASTM B258: 0.005 in · 92^((36 − AWG)/39). AWG 0 to 40."""
    if not 0 <= awg <= 40:
        raise UsageError(f"wire gauge: AWG {awg} is not known", hint="Allowed are AWG 0 to 40.")
    return float(0.005 * 0.0254 * 92.0 ** ((36 - awg) / 39))


def turns_in_one_layer(wire_overall: float, inner_diameter: float) -> int:
    """Return floor(π/asin(d/(ID − d))), the turns of one layer in the bore; overall wire and inner diameter in m.

    Zero when the wire does not pass. A wire that just fills the bore counts one turn.
    """
    _need_above_zero("overall wire diameter (m)", wire_overall)
    _need_above_zero("inner diameter of the core (m)", inner_diameter)
    if wire_overall > inner_diameter:
        return 0
    if 2 * wire_overall > inner_diameter:
        return 1
    return math.floor(math.pi / math.asin(wire_overall / (inner_diameter - wire_overall)))


def hole_left(wire_overall: float, inner_diameter: float) -> float:
    """Return ID − 2d in m, the hole that one layer leaves for the line and its sleeve; zero when nothing is left."""
    _need_above_zero("overall wire diameter (m)", wire_overall)
    _need_above_zero("inner diameter of the core (m)", inner_diameter)
    return max(0.0, inner_diameter - 2 * wire_overall)
