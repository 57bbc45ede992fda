"""Scattering algebra: parts with named ports, screwed together, seen from a few ports that stay outside.

All parts stand in one block-diagonal matrix S; the joins are a permutation C of the waves (what leaves one port of a join
enters the other; what leaves an open port comes back with reflection +1). With inner ports i and outside ports o::

    a_i = C·b_i,  b = S·a   →   S_seen = S_oo + S_oi·(1 − C·S_ii)⁻¹·C·S_io
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

Z0 = 50.0
"""Reference impedance of every scattering matrix here, in Ω."""


@dataclass(frozen=True)
class Part:
    """A scattering matrix of shape (F, n, n) with the names of its n ports, in order."""

    s: Complexes
    ports: tuple[str, ...]


def one_port(gamma: Complexes, port: str) -> Part:
    """Return a reflection of shape (F,) as a part with one port."""
    return Part(gamma[:, None, None], (port,))


def seen_from(parts: Sequence[Part], joins: Sequence[tuple[str, str]], outside: Sequence[str]) -> Complexes:
    """Return the scattering matrix seen at the ``outside`` ports, shape (F, n, n), in their order.

    Ports that are neither joined nor outside are open: total reflection, +1. Port names are unique over all parts (a KeyError
    tells of a name that no part has).
    """
    names = [name for part in parts for name in part.ports]
    index = {name: position for position, name in enumerate(names)}
    whole = _block_diagonal(parts, len(names))
    partner = np.arange(len(names))
    for one, other in joins:
        partner[index[one]], partner[index[other]] = index[other], index[one]
    out = np.array([index[name] for name in outside], dtype=int)
    inner = np.array([position for position in range(len(names)) if position not in set(out.tolist())], dtype=int)
    if inner.size == 0:
        return whole[:, out[:, None], out]
    place = {position: row for row, position in enumerate(inner.tolist())}
    swap = np.array([place[int(partner[position])] for position in inner.tolist()], dtype=int)
    s_ii, s_io = whole[:, inner[:, None], inner], whole[:, inner[:, None], out]
    s_oi, s_oo = whole[:, out[:, None], inner], whole[:, out[:, None], out]
    waves = np.linalg.solve(np.eye(inner.size) - s_ii[:, swap, :], s_io[:, swap, :])
    return np.asarray(s_oo + s_oi @ waves, dtype=np.complex128)


def _block_diagonal(parts: Sequence[Part], size: int) -> Complexes:
    points = parts[0].s.shape[0]
    whole = np.zeros((points, size, size), dtype=np.complex128)
    at = 0
    for part in parts:
        width = len(part.ports)
        whole[:, at : at + width, at : at + width] = part.s
        at += width
    return whole


def from_chain(a: Complexes, b: Complexes, c: Complexes, d: Complexes) -> Complexes:
    """Return the scattering matrix, shape (F, 2, 2), of a reciprocal chain (ABCD) two-port; b in Ω, c in S."""
    bottom = a + b / Z0 + c * Z0 + d
    s = np.empty((*bottom.shape, 2, 2), dtype=np.complex128)
    s[:, 0, 0] = (a + b / Z0 - c * Z0 - d) / bottom
    s[:, 0, 1] = s[:, 1, 0] = 2.0 / bottom
    s[:, 1, 1] = (-a + b / Z0 - c * Z0 + d) / bottom
    return s


def line(frequency_hz: Floats, delay: float, loss_db: float = 0.0, impedance: float = Z0) -> Complexes:
    """Return a line of one-way ``delay`` in s and ``loss_db`` (the same at every frequency), shape (F, 2, 2)."""
    angle = loss_db / (20 / np.log(10)) + 2j * np.pi * frequency_hz * delay
    cosh, sinh = np.cosh(angle), np.sinh(angle)
    return from_chain(cosh, impedance * sinh, sinh / impedance, cosh)


def series_and_shunt(impedance: Complexes, admittance: Complexes) -> Complexes:
    """Return half the shunt admittance (S), the series impedance (Ω), and the other half, shape (F, 2, 2)."""
    half = admittance / 2
    a = 1 + impedance * half
    return from_chain(a, impedance, 2 * half + impedance * half * half, a)
