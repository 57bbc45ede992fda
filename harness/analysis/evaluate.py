"""Evaluation: all sweeps of one unit in, three-port, figures, checks and decision out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from harness.analysis.adapters import AdapterModel, remove_adapters
from harness.analysis.bands import Band
from harness.analysis.checks import all_checks
from harness.analysis.decision import decide_figures, unit_decision
from harness.analysis.estimator import Estimate, estimate
from harness.analysis.figures import coupling_at, figure_values, in_band, usable_band
from harness.analysis.readings import Reading, Sweeps, Terminations, readings_of
from harness.analysis.usable import require_usable
from harness.analysis.wording import how_taken
from harness.records import CouplingAt, Decision, Figure, SamplerType, Sweep
from harness.records.proof import Check

REQUIRED_SWEEPS = ("line", "coupled")


@dataclass(frozen=True)
class Evaluation:
    """What the analysis of one unit gives.

    ``three_port``: the unit's sweep "unit", ports line in, line out, sample, adapters removed. ``figures``: keys coupling_db,
    return_loss_db, flatness_db, insertion_loss_db, swr. ``how``: figure → how it was taken, and "unit" for the three-port.
    ``readings`` and ``estimate`` are what the figures rest on (the estimate still with adapters).
    """

    three_port: Sweep
    figures: dict[str, Figure]
    coupling_at: tuple[CouplingAt, ...]
    usable_band_hz: tuple[float, float] | None
    decision: Decision
    checks: tuple[Check, ...]
    how: dict[str, str]
    readings: tuple[Reading, ...] = field(repr=False)
    estimate: Estimate = field(repr=False)


def evaluate(
    sweeps: Sweeps,
    type_: SamplerType,
    terminations: Terminations,
    bands: Sequence[Band] = (),
    adapters: Mapping[str, AdapterModel] | None = None,
) -> Evaluation:
    """Return the evaluation of one unit.

    ``sweeps``: corrected sweeps by name, each one Sweep or its repeats; "line" and "coupled" are needed, "coupled-far" and
    "sample" used where they are, other names passed over. ``adapters``: unit connector ("line in", "line out", "sample") →
    what to remove there. Raises DataError where the sweeps cannot be analysed: one is missing, grids differ, the band is not
    covered, a value is not a number, more power comes out than goes in, or no three-port fits.
    """
    frequency_hz = require_usable(sweeps, REQUIRED_SWEEPS, type_.band_hz)
    readings = readings_of(sweeps, terminations)
    found = estimate(frequency_hz, readings)
    s = remove_adapters(found.s, adapters or {}, frequency_hz)
    _, band_s = in_band(frequency_hz, s, type_.band_hz)
    figures = decide_figures(figure_values(band_s, found.sides), type_)
    looked_at = all_checks(sweeps, terminations, found, type_.band_hz)
    return Evaluation(
        three_port=Sweep.from_matrix("unit", frequency_hz, s),
        figures=figures,
        coupling_at=coupling_at(frequency_hz, s, type_.band_hz, bands),
        usable_band_hz=usable_band(frequency_hz, s, found.sides, type_),
        decision=unit_decision(figures.values(), looked_at),
        checks=looked_at,
        how=how_taken(sweeps, terminations, found, adapters or {}),
        readings=readings,
        estimate=found,
    )
