"""The uncertainty of one unit: from the estimate and the sizes of the inputs to draws, intervals, budgets and checks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.adapters import AdapterModel
from harness.analysis.bands import Band
from harness.analysis.budget import Ground, budgets
from harness.analysis.decision import BAD_IS_LOW, Tolerance, meets
from harness.analysis.draws import Draws, centre_of, draw, seen_figures
from harness.analysis.ends import leans
from harness.analysis.estimator import Estimate
from harness.analysis.figures import band_points, coupling_at, inside, wanted_centres
from harness.analysis.full_solves import linear_treatment
from harness.analysis.levels import loss_db
from harness.analysis.linear import Chain, Effect, groups_of, independent
from harness.analysis.model import matrix_of, vector_of
from harness.analysis.noise import Smooth, noise_of, smooth
from harness.analysis.phasors import mean_square
from harness.analysis.points import Points
from harness.analysis.readings import Complex, Reading, Terminations
from harness.analysis.refusal import at_tolerance
from harness.analysis.repeats import hookup_scale
from harness.analysis.rows import ENTRY_OF, Layout, rows_of
from harness.analysis.scene import Scene
from harness.records import LINE_OUT, BudgetLine, CouplingAt, CouplingTable, Residuals
from harness.records.proof import Check

Real = NDArray[np.float64]
TABLE_POINTS = 201
REST_POINTS = 25
LEAST_READING_ERROR = 1e-6
SELDOM = 1e-3
"""Sweeps that leave more than all but this part of the draws do not agree with what the bench states. Chosen, no source."""


@dataclass(frozen=True)
class Case:
    """What the uncertainty is asked of: the estimate (with adapters), the bare S of the unit, (F, 3, 3), what is around it.

    ``allowed``: figure → (least, most) allowed.
    """

    readings: tuple[Reading, ...]
    found: Estimate
    bare: Complex = field(repr=False)
    terminations: Terminations
    adapters: Mapping[str, AdapterModel]
    residuals: Residuals
    band_hz: tuple[float, float]
    bands: Sequence[Band]
    allowed: Mapping[str, Tolerance]


@dataclass(frozen=True)
class Uncertain:
    """``smoothed``: the bare S, the entries that the figures look at smoothed, (F, 3, 3). ``figures``: figure → draws, (n,).

    ``leans``: figure → how far noise makes it too large in what is smoothed, dB; the draws of the coupling lie round it without.
    ``as_bad``: figure that is an extreme → how likely a unit at its tolerance looks as bad as this one, 1 for one inside.
    """

    smoothed: Complex = field(repr=False)
    figures: Mapping[str, Real] = field(repr=False)
    leans: Mapping[str, float]
    as_bad: Mapping[str, float]
    coupling_at: tuple[CouplingAt, ...]
    coupling_table: CouplingTable
    budget: dict[str, tuple[BudgetLine, ...]]
    checks: tuple[Check, ...]
    is_smoothed: bool
    scale: float


def uncertainty_of(case: Case, seed: int, draws: int) -> Uncertain:
    """Return the uncertainty of a unit by ``draws`` draws."""
    found = case.found
    scene = Scene.of(case.readings, case.terminations, vector_of(found.s))
    scale = hookup_scale(case.readings, scene, case.residuals, case.terminations)
    chain = Chain(scene, found, case.bare, case.terminations, case.adapters, case.residuals, scale)
    effects = independent(chain.effects())
    entries = _smoothed(case)
    layout, band = _layout(case)
    rows = rows_of(effects, layout, draws)
    noise = np.array([noise_of(trace) for trace in found.residuals.T])
    centre = centre_of(layout, entries, found.residuals, noise, _rest_weights(effects, noise))
    seen = seen_figures(centre, band)
    misses = {name: limit for name, limit in _limits(case).items() if not meets(np.array([seen[name]]), case.allowed[name])[0]}
    edges = at_tolerance(rows, centre.values, centre.noise, band, misses)
    drawn = draw(rows, centre, band, seed, draws, edges)
    ground = Ground(rows, centre, band, groups_of(effects), entries)
    within = inside(found.frequency_hz, case.band_hz)
    smoothed = _with(case.bare, entries)
    lean = leans(drawn.by_noise)
    middle = lean["coupling_db"].estimate + leans(drawn.outward)["coupling_db"].draws
    return Uncertain(
        smoothed=smoothed,
        figures={**drawn.figures, "coupling_db": drawn.figures["coupling_db"] - middle},
        leans={name: one.estimate for name, one in lean.items()},
        as_bad=_as_bad(drawn, seen, _limits(case)),
        coupling_at=_coupling_at(case, smoothed, drawn),
        coupling_table=_table(case, centre.values["S31"][band:], drawn),
        budget=budgets(ground),
        checks=(_agreement(case, drawn), linear_treatment(chain, case.readings, within, seed)),
        is_smoothed=any(one.basis is not None for one in entries.values()),
        scale=scale,
    )


def reading_sizes(
    readings: Sequence[Reading], found: Estimate, terminations: Terminations, residuals: Residuals
) -> NDArray[np.float64]:
    """Return the size of each reading's error, root mean square, (F, m): what the estimate should weigh the readings with.

    ``found``: a first estimate, with any weights.
    """
    scene = Scene.of(readings, terminations, vector_of(found.s))
    chain = Chain(scene, found, found.s, terminations, {}, residuals)
    total = np.zeros(found.sigma.shape) + np.array([noise_of(reading.value) ** 2 for reading in readings])
    for _, size, effect in chain.on_readings():
        total = total + np.abs(effect[:, : len(readings)]) ** 2 * size.linear**2 * mean_square(size.kind)
    return np.asarray(np.maximum(np.sqrt(total), LEAST_READING_ERROR))


def _limits(case: Case) -> dict[str, float]:
    """Return figure → the end of its tolerance, of the figures that are extremes and have one; the SWR's is the return loss's."""
    names = ("return_loss_db", "insertion_loss_db", "flatness_db")
    ends = {name: case.allowed[name][0 if name in BAD_IS_LOW else 1] for name in names if name in case.allowed}
    return {name: end for name, end in ends.items() if end is not None}


def _as_bad(drawn: Draws, seen: Mapping[str, float], limits: Mapping[str, float]) -> dict[str, float]:
    found = dict.fromkeys(limits, 1.0)
    for name, at in drawn.at_tolerance.items():
        found[name] = float(np.mean(at <= seen[name] if name in BAD_IS_LOW else at >= seen[name]))
    return found | ({"swr": found["return_loss_db"]} if "return_loss_db" in found else {})


def _smoothed(case: Case) -> dict[str, Smooth]:
    x = vector_of(case.bare)
    return smooth(case.found.frequency_hz, {name: x[:, place] for name, place in ENTRY_OF.items()})


def _with(bare: Complex, entries: Mapping[str, Smooth]) -> Complex:
    x = vector_of(bare)
    for name, place in ENTRY_OF.items():
        x[:, place] = entries[name].values
    return matrix_of(x)


def _layout(case: Case) -> tuple[Layout, int]:
    """Return the columns, and how many of S31's points are the band's (after them: centres of bands, the table)."""
    hz = case.found.frequency_hz
    band = band_points(hz, case.band_hz)
    in_band = Points.on(hz, band)
    names = [name for name in ("S11", "S22", "S21") if name != "S22" or LINE_OUT in case.found.sides]
    coupling = np.concatenate([band, wanted_centres(case.bands, case.band_hz), _table_hz(hz)])
    points = {**dict.fromkeys(names, in_band), "S31": Points.on(hz, coupling)}
    within = np.flatnonzero(inside(hz, case.band_hz))
    rest = np.unique(within[np.linspace(0, within.size - 1, REST_POINTS).astype(int)])
    return Layout(hz, points, rest, len(case.readings)), band.size


def _table_hz(hz: Real) -> Real:
    return np.asarray(hz[np.unique(np.linspace(0, hz.size - 1, min(hz.size, TABLE_POINTS)).astype(int))])


def _rest_weights(effects: Sequence[Effect], noise: Real) -> Real:
    """Return the standard deviation that each reading's rest should have, (F, m); never below 1e-9."""
    total = np.zeros(effects[0].left.shape) + noise**2 if effects else noise[np.newaxis] ** 2
    for effect in effects:
        total = total + np.abs(effect.left) ** 2 * effect.size.linear**2 * mean_square(effect.size.kind)
    return np.asarray(np.sqrt(np.maximum(total, 1e-18)))


def _coupling_at(case: Case, smoothed: Complex, drawn: Draws) -> tuple[CouplingAt, ...]:
    found = []
    for number, at in enumerate(coupling_at(case.found.frequency_hz, smoothed, case.band_hz, case.bands)):
        low, high = np.quantile(drawn.coupling[:, number], [0.025, 0.975])
        found.append(at.model_copy(update={"low": float(low), "high": float(high)}))
    return tuple(found)


def _table(case: Case, values: Complex, drawn: Draws) -> CouplingTable:
    hz = _table_hz(case.found.frequency_hz)
    ordered = np.sort(np.ascontiguousarray(drawn.coupling[:, -hz.size :].T), axis=1)
    last = ordered.shape[1] - 1
    low, high = ordered[:, round(0.025 * last)], ordered[:, round(0.975 * last)]
    return CouplingTable(
        hz=tuple(hz.tolist()), db=_short(loss_db(values[-hz.size :])), low=_short(low), high=_short(high)
    )  # fmt: skip


def _short(values: Real | NDArray[np.float32]) -> tuple[float, ...]:
    return tuple(np.round(values.astype(np.float64), 4).tolist())


def _agreement(case: Case, drawn: Draws) -> Check:
    """Whether what one three-port leaves of the readings is what the stated uncertainty allows, with what this cannot see."""
    spare = case.found.residuals.shape[1] - len(case.found.seen)
    if spare <= 0:
        says = "every entry was read once only: nothing tells whether the sweeps belong together"
        return Check(name="sweeps agree", says=says, ok=True)
    share = float(np.mean(drawn.rest >= drawn.rest_seen))
    blind = (
        "it sees an error of the line match only: all else was read once"
        if spare == 1
        else "an error that all sweeps share, as of the calibration, does not show"
    )
    says = (
        f"what one three-port leaves of the readings is {np.sqrt(drawn.rest_seen):.2f} times what the stated uncertainty leaves "
        f"(root mean square); {share:.1%} of draws leave more ({SELDOM:.1%} needed); {blind}"
    )
    return Check(name="sweeps agree", says=says, ok=share >= SELDOM)
