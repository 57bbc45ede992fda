"""The draws: many three-ports that the readings could as well have come from, and the figures of each (JCGM 101).

The errors go through linearly; the figures (magnitudes, decibels, extremes over the band) are taken of every draw as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.ends import Outward, outward_of
from harness.analysis.levels import loss_db, swr_of_reflection
from harness.analysis.noise import Smooth
from harness.analysis.phasors import DEGREES, normal, one_of
from harness.analysis.readings import Complex
from harness.analysis.refusal import AtTolerance
from harness.analysis.rows import Layout, Rows

Real32 = NDArray[np.float32]
Complex64 = NDArray[np.complex64]
FIGURES = ("coupling_db", "return_loss_db", "flatness_db", "insertion_loss_db", "swr")
MOST_NUMBERS = 2_000_000
"""Complex numbers that are in memory at a time, for one chunk of draws."""


@dataclass(frozen=True)
class Centre:
    """What the draws lie around: the smoothed entries at their points, what was left of the readings, its noise, its weights.

    ``noise``: entry → (columns of the spline at the points, standard deviation), or None for independent points.
    ``rest``: (T, m); ``rest_noise``, ``rest_weight``: (m,) and (T, m).
    """

    values: Mapping[str, Complex] = field(repr=False)
    noise: Mapping[str, tuple[NDArray[np.float64] | None, float]] = field(repr=False)
    rest: Complex = field(repr=False)
    rest_noise: NDArray[np.float64] = field(repr=False)
    rest_weight: NDArray[np.float64] = field(repr=False)


@dataclass(frozen=True)
class Draws:
    """Figures of all draws: ``figures`` name → (n,); ``coupling``: dB at the extra points of S31, (n, P).

    ``at_tolerance``: figure → what units at its tolerance would be read as, (n,). ``outward``, ``by_noise``: see
    :func:`harness.analysis.ends.outward_of`, for all errors and for the noise alone. ``rest``: what each draw would leave of
    the readings, weighed and summed, (n,); ``rest_seen``: what they did leave.
    """

    figures: Mapping[str, NDArray[np.float64]] = field(repr=False)
    at_tolerance: Mapping[str, NDArray[np.float64]] = field(repr=False)
    coupling: Real32 = field(repr=False)
    outward: Outward = field(repr=False)
    by_noise: Outward = field(repr=False)
    rest: NDArray[np.float64] = field(repr=False)
    rest_seen: float


def centre_of(layout: Layout, smoothed: Mapping[str, Smooth], rest: Complex, rest_noise: NDArray[np.float64],
              rest_weight: NDArray[np.float64]) -> Centre:  # fmt: skip
    """Return the centre of the draws; ``rest`` over the whole grid, (F, m), and its weights too."""
    noise: dict[str, tuple[NDArray[np.float64] | None, float]] = {}
    for name, points in layout.points.items():
        basis = smoothed[name].basis
        noise[name] = (None if basis is None else points.take(basis), smoothed[name].noise)
    values = {name: points.take(smoothed[name].values) for name, points in layout.points.items()}
    return Centre(values, noise, rest[layout.rest], rest_noise, rest_weight[layout.rest])


def draw(rows: Rows, centre: Centre, band: int, seed: int, draws: int, edges: Mapping[str, AtTolerance]) -> Draws:
    """Return ``draws`` draws. ``band``: how many of the points of S31 are the band's; the same seed gives the same draws.

    ``edges``: figure → a unit at its tolerance.
    """
    rng = np.random.default_rng(seed)
    width = rows.layout.columns["rest"].stop
    chunk = max(1, min(draws, MOST_NUMBERS // width))
    parts = []
    for first in range(0, draws, chunk):
        count = min(chunk, draws - first)
        parts.append(_figures(_one_chunk(rows, rng, count), rows.layout, centre, band, rng, edges))
    figures = {name: np.concatenate([part.figures[name] for part in parts]) for name in parts[0].figures}
    bad = {name: np.concatenate([part.at_tolerance[name] for part in parts]) for name in edges}
    names = ("coupling", "outward", "by_noise", "rest")
    coupling, outward, by_noise, rest = (np.concatenate([getattr(part, name) for part in parts]) for name in names)
    return Draws(figures, bad, coupling, outward, by_noise, rest, parts[0].rest_seen)


def latents(rows: Rows, rng: np.random.Generator, count: int) -> tuple[Complex64, list[Complex64]]:
    """Return the numbers of ``count`` draws: for normal and real rows, (count, R + R'), and for each bounded input, (count, Q).

    The normal ones share a factor from draw to draw, for the sizes themselves are not known exactly (a t-distribution).
    """
    scale = np.sqrt(DEGREES / rng.chisquare(DEGREES, size=(count, 1))).astype(np.float32)
    numbers = normal(rng, count, len(rows.normal) + len(rows.real)) * scale
    numbers[:, len(rows.normal) :].imag = 0
    return numbers, [one_of(rng, count, len(one.rows), one.kind) for one in rows.bounded]


def _one_chunk(rows: Rows, rng: np.random.Generator, count: int) -> Complex64:
    numbers, places = latents(rows, rng, count)
    every = np.concatenate([rows.normal, rows.real, *(one.rows for one in rows.bounded)])
    return np.asarray(np.concatenate([numbers, *places], axis=1) @ every)


def _figures(
    errors: Complex64,
    layout: Layout,
    centre: Centre,
    band: int,
    rng: np.random.Generator,
    edges: Mapping[str, AtTolerance],
) -> Draws:
    columns = layout.columns
    changes = {name: errors[:, columns[name]] for name in centre.values}
    in_band = centre.values["S31"][:band]
    for name in changes:
        noise = _noise(centre.noise[name], changes[name].shape, rng)
        changes[name] += noise
        if name == "S31":
            by_noise = outward_of(_power(in_band, noise), in_band)
    at_edge = {
        figure: figure_of(figure, {name: _power(values, changes[name]) for name, values in edge.values.items()}, band)
        for figure, edge in edges.items()
    }
    power = {name: _power(values, changes[name]) for name, values in centre.values.items()}
    figures = {name: figure_of(name, power, band) for name in FIGURES}
    coupling = -10 * np.log10(np.maximum(power["S31"][:, band:], np.float32(1e-20)))
    outward = outward_of(power["S31"][:, :band], in_band)
    rest, seen = _rest(errors[:, columns["rest"]], centre, rng)
    return Draws(figures, at_edge, coupling, outward, by_noise, rest, seen)


def _power(values: Complex, changes: Complex64) -> Real32:
    """Return abs² of values (T,) with changes, (n, T or more): (n, T)."""
    drawn = changes[:, : values.size] + values.astype(np.complex64)
    return np.asarray(drawn.real**2 + drawn.imag**2)


def figure_of(name: str, power: Mapping[str, Real32], band: int) -> NDArray[np.float64]:
    """Return a figure, (n,), from abs² of the entries that it looks at, entry → (n, T); ``band``: points of S31 in the band."""
    if name in ("return_loss_db", "swr"):
        reflection = np.sqrt(np.max([power[side].max(axis=1) for side in ("S11", "S22") if side in power], axis=0))
        return loss_db(reflection) if name == "return_loss_db" else swr_of_reflection(reflection)
    if name == "insertion_loss_db":
        return loss_db(np.sqrt(power["S21"].min(axis=1)))
    low, high = (loss_db(np.sqrt(end)) for end in (power["S31"][:, :band].max(axis=1), power["S31"][:, :band].min(axis=1)))
    return (high + low) / 2 if name == "coupling_db" else (high - low) / 2


def seen_figures(centre: Centre, band: int) -> dict[str, float]:
    """Return the figures of what the draws lie around."""
    power = {name: np.asarray(np.abs(values[np.newaxis]) ** 2, dtype=np.float32) for name, values in centre.values.items()}
    return {name: float(figure_of(name, power, band)[0]) for name in FIGURES}


def _noise(noise: tuple[NDArray[np.float64] | None, float], shape: tuple[int, ...], rng: np.random.Generator) -> Complex64:
    basis, size = noise
    size = size / np.sqrt(2.0)
    if basis is None:
        return np.asarray(normal(rng, *shape) * np.float32(size))
    return np.asarray(normal(rng, shape[0], basis.shape[1]) @ (size * basis.T).astype(np.complex64))


def _rest(errors: Complex64, centre: Centre, rng: np.random.Generator) -> tuple[NDArray[np.float64], float]:
    """Return what draws leave of the readings, and what they did leave: mean square over frequency, in units of the weights."""
    weight = centre.rest_weight.ravel()
    seen = float(np.mean(np.abs(centre.rest.ravel() / weight) ** 2))
    left = np.mean(np.abs(errors / weight.astype(np.float32)) ** 2, axis=1)
    noise = float(np.mean((centre.rest_noise / centre.rest_weight) ** 2))
    return np.asarray(left + noise * rng.gamma(weight.size, size=len(errors)) / weight.size, dtype=np.float64), seen
