"""Readings of a known three-port, taken apart from the program: the two-port or one-port that an analyser sees at each hook-up.

The terminated ports are closed one by one with the textbook formula S_ij + S_ik·Γ·S_kj/(1 − S_kk·Γ), not with the matrix form the
program solves; a one-path sweep then meets the receiver as T = S21/(1 − S22·Γ) and S11 + S12·S21·Γ/(1 − S22·Γ).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from harness.analysis import Termination, Terminations
from harness.records import SamplerType, Sweep, parse_type
from tests.texts import TYPE_TEXT

Complex = NDArray[np.complex128]
POINTS = 201
GRID = np.linspace(1e6, 100e6, POINTS)


def close_port(s: Complex, port: int, gamma: Complex) -> Complex:
    """Return S of shape (F, n − 1, n − 1): ``port`` ends in ``gamma``."""
    keep = [index for index in range(s.shape[-1]) if index != port]
    through = s[:, keep, port][:, :, None] * s[:, port, keep][:, None, :]
    return s[:, keep][:, :, keep] + through * (gamma / (1 - s[:, port, port] * gamma))[:, None, None]


def two_port(name: str, s: Complex, grid: NDArray[np.float64] = GRID) -> Sweep:
    return Sweep.from_matrix(name, grid, s)


def one_path(name: str, s: Complex, receiver: Complex, grid: NDArray[np.float64] = GRID) -> Sweep:
    share = receiver / (1 - s[:, 1, 1] * receiver)
    traces = {"s11": s[:, 0, 0] + s[:, 0, 1] * s[:, 1, 0] * share, "s21": s[:, 1, 0] / (1 - s[:, 1, 1] * receiver)}
    return Sweep(name, grid, traces, 2)


def sweeps_of(
    s: Complex, load_a: Complex, load_b: Complex, receiver: Complex | None, grid: NDArray[np.float64] = GRID
) -> dict[str, Sweep]:
    """Return all four sweeps: one-path into ``receiver``, or fully corrected where it is None."""
    pairs = {"line": close_port(s, 2, load_a), "coupled": close_port(s, 1, load_a), "coupled-far": close_port(s, 0, load_a)}
    found = {
        name: two_port(name, pair, grid) if receiver is None else one_path(name, pair, receiver, grid)
        for name, pair in pairs.items()
    }
    found["sample"] = Sweep("sample", grid, {"s11": close_port(close_port(s, 1, load_b), 0, load_a)[:, 0, 0]}, 1)
    return found


def phasor(return_loss_db: float, delay: float, angle: float, grid: NDArray[np.float64] = GRID) -> Complex:
    """Return a reflection that turns with frequency, as one at the far side of a line does."""
    return np.asarray(10 ** (-return_loss_db / 20) * np.exp(-2j * np.pi * grid * delay + 1j * angle))


def known(load_a: Complex, load_b: Complex, receiver: Complex | None) -> Terminations:
    loads = {"A": Termination.swept(load_a), "B": Termination.swept(load_b)}
    return Terminations(loads, None if receiver is None else Termination.swept(receiver))


def ideal_unit(turns: int, points: int = POINTS) -> Complex:
    """Return the exact lossless sampler with external termination: S11 = 1/D and so on, D = 2N² + 1, at every frequency."""
    d = 2 * turns**2 + 1
    line, coupled, sample = 2 * turns**2 / d, 2 * turns / d, (2 * turns**2 - 1) / d
    s = np.array([[1 / d, line, coupled], [line, 1 / d, -coupled], [coupled, -coupled, sample]], dtype=np.complex128)
    return np.repeat(s[None], points, axis=0)


def random_unit(seed: int, points: int = POINTS) -> Complex:
    """Return a passive reciprocal three-port that differs from frequency to frequency, largest singular value 0.98."""
    rng = np.random.default_rng(seed)
    s = rng.normal(size=(points, 3, 3)) + 1j * rng.normal(size=(points, 3, 3))
    s = s + np.swapaxes(s, 1, 2)
    return np.asarray(0.98 * s / np.linalg.svd(s, compute_uv=False)[:, :1, None])


def type_of(**changes: str) -> SamplerType:
    """Return the 30 dB type of the shared texts with lines replaced: coupling="36 dB"."""
    text = TYPE_TEXT
    for key, value in changes.items():
        lines = [f'{key} = "{value}"' if line.startswith(f"{key} =") else line for line in text.splitlines()]
        text = "\n".join(lines)
    return parse_type(text, "test type")


def only(sweeps: Mapping[str, Sweep], *names: str) -> dict[str, Sweep]:
    return {name: sweeps[name] for name in names}
