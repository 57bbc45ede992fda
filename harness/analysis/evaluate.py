"""Evaluation: all sweeps of one unit in, three-port, figures, checks and decision out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.adapters import AdapterModel, remove_adapters
from harness.analysis.bands import Band
from harness.analysis.checks import all_checks
from harness.analysis.decision import decide_figures, tolerances, unit_decision
from harness.analysis.estimator import Estimate, estimate
from harness.analysis.figures import figure_values, in_band, usable_band
from harness.analysis.readings import Reading, Sweeps, Terminations, readings_of
from harness.analysis.uncertainty import Case, reading_sizes, uncertainty_of
from harness.analysis.usable import require_usable
from harness.analysis.wording import how_sure, how_taken, with_bias
from harness.records import (
    BudgetLine,
    CouplingAt,
    CouplingTable,
    Decision,
    Figure,
    Residuals,
    SamplerType,
    Sweep,
    UncertaintyNote,
    default_residuals,
)
from harness.records.proof import Check

REQUIRED_SWEEPS = ("line", "coupled")
SEED = 20_260_101
"""The seed of the draws: the same sweeps always give the same figures. It stands in the record."""
DRAWS = 10_000


@dataclass(frozen=True)
class Evaluation:
    """What the analysis of one unit gives.

    ``three_port``: the unit's sweep "unit", ports line in, line out, sample, adapters removed. ``figures``: keys coupling_db,
    return_loss_db, flatness_db, insertion_loss_db, swr. ``how``: figure → how it was taken, and "unit" for the three-port.
    ``probability``: that all figures are met at once, as ``decision.decide_figures`` says. ``coupling_table``: the coupling over
    the sweep, for later readings. ``budget``: figure → uncertainty budget. ``readings`` and ``estimate`` are what the figures
    rest on (the estimate still with adapters); ``drawn``: figure → its draws, (n,).
    """

    three_port: Sweep
    figures: dict[str, Figure]
    coupling_at: tuple[CouplingAt, ...]
    coupling_table: CouplingTable
    usable_band_hz: tuple[float, float] | None
    decision: Decision
    probability: float
    budget: dict[str, tuple[BudgetLine, ...]]
    uncertainty: UncertaintyNote
    checks: tuple[Check, ...]
    how: dict[str, str]
    readings: tuple[Reading, ...] = field(repr=False)
    estimate: Estimate = field(repr=False)
    drawn: Mapping[str, NDArray[np.float64]] = field(repr=False)


def evaluate(
    sweeps: Sweeps,
    type_: SamplerType,
    terminations: Terminations,
    bands: Sequence[Band] = (),
    adapters: Mapping[str, AdapterModel] | None = None,
    *,
    residuals: Residuals | None = None,
    seed: int = SEED,
    draws: int = DRAWS,
) -> Evaluation:
    """Return the evaluation of one unit.

    ``sweeps``: corrected sweeps by name, each one Sweep or its repeats; "line" and "coupled" are needed, "coupled-far" and
    "sample" used where they are, other names passed over. ``adapters``: unit connector ("line in", "line out", "sample") →
    what to remove there. ``residuals``: what the correction leaves, by default the default class; ``seed``, ``draws``: of the
    Monte Carlo. Raises DataError where the sweeps cannot be analysed: one is missing, grids differ, the band is not
    covered, a value is not a number, more power comes out than goes in, or no three-port fits.
    """
    case = _case(sweeps, type_, terminations, bands, adapters or {}, residuals or default_residuals())
    found, frequency_hz, sizes = case.found, case.found.frequency_hz, case.residuals
    uncertain = uncertainty_of(case, seed, draws)
    seen = figure_values(in_band(frequency_hz, uncertain.smoothed, type_.band_hz)[1], found.sides)
    values = {**seen, **{name: np.maximum(0.0, seen[name] - lean) for name, lean in uncertain.leans.items()}}
    figures, probability = decide_figures(values, uncertain.figures, type_, uncertain.budget, uncertain.as_bad)
    looked_at = (*all_checks(sweeps, terminations, found, type_.band_hz, sizes), *uncertain.checks)
    return Evaluation(
        three_port=Sweep.from_matrix("unit", frequency_hz, case.bare),
        figures=figures,
        coupling_at=uncertain.coupling_at,
        coupling_table=uncertain.coupling_table,
        usable_band_hz=usable_band(frequency_hz, uncertain.smoothed, found.sides, type_),
        decision=unit_decision(figures.values(), probability, looked_at),
        probability=probability,
        budget=uncertain.budget,
        uncertainty=UncertaintyNote(says=how_sure(uncertain, sizes, draws), residuals=sizes, seed=seed, draws=draws),
        checks=looked_at,
        how=with_bias(how_taken(sweeps, terminations, found, case.adapters), uncertain),
        readings=case.readings,
        estimate=found,
        drawn=uncertain.figures,
    )


def _case(
    sweeps: Sweeps,
    type_: SamplerType,
    terminations: Terminations,
    bands: Sequence[Band],
    adapters: Mapping[str, AdapterModel],
    residuals: Residuals,
) -> Case:
    """Return readings, estimate (weighed with what each reading's error is) and the unit without its adapters."""
    frequency_hz = require_usable(sweeps, REQUIRED_SWEEPS, type_.band_hz)
    readings = readings_of(sweeps, terminations)
    first = estimate(frequency_hz, readings)
    found = estimate(frequency_hz, readings, reading_sizes(readings, first, terminations, residuals))
    bare = remove_adapters(found.s, adapters, frequency_hz)
    return Case(readings, found, bare, terminations, adapters, residuals, type_.band_hz, bands, tolerances(type_))
