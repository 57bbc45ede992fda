"""One case: the sequences' hook-ups on the simulated bench, without a link, then calibration, correction and figures.

The steps are the sequences' own, in their order; only questions to the operator are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.simulated import SimulatedBench
from harness import assess
from harness import calibration as cal
from harness.analysis import Terminations
from harness.records import CalibrationRecord, Sweep
from harness.steps import Connect, Measure, Step
from sequences import calibration, line_sampler
from tests.intervals.population import UNIT, Case

TRUTH_POINTS = 401


@dataclass(frozen=True)
class Measured:
    """What was measured in one case, corrected, and what is true of its unit (figure → value)."""

    sweeps: dict[str, list[Sweep]]
    terminations: Terminations
    calibration: cal.Calibration
    truth: dict[str, float]
    at: SimulatedBench


def measure(case: Case) -> Measured:
    """Return the corrected sweeps of one case, and the truth."""
    at = SimulatedBench(case.bench, case.type_, hidden=case.hidden)
    standards = _walk(at, calibration.steps(None, case.bench))
    raw = {name: sweeps[-1] for name, sweeps in standards.items() if not name.startswith("verify")}
    record = CalibrationRecord(
        id="population",
        bench=case.bench.name,
        analyser=at.identity,
        made="",
        paths=case.bench.analyser.paths,
        standards=case.bench.standards,
        loads=tuple(case.bench.loads),
    )
    calibrated = cal.build(record, raw)
    at.advance(case.age_hours * 3600.0)
    at.insert_unit(UNIT)
    swept = _walk(at, line_sampler.steps(case.type_, case.bench))
    sweeps = {
        name: [cal.correct(sweep, calibrated.terms) for sweep in repeats]
        for name, repeats in swept.items()
        if not name.startswith("verify")
    }
    terminations = assess.known_terminations(case.bench, calibrated, case.bench.sweep.points)
    return Measured(sweeps, terminations, calibrated, true_figures(at, case.type_.band_hz), at)


def _walk(at: SimulatedBench, steps: tuple[Step, ...]) -> dict[str, list[Sweep]]:
    """Make the hook-ups and return sweep name → its raw repeats."""
    grid = at.bench.grid
    found: dict[str, list[Sweep]] = {}
    for step in steps:
        if isinstance(step, Connect):
            at.connect(step.hookup)
        elif isinstance(step, Measure):
            traces = {str(key): value for key, value in at.raw(step.traces, grid).items()}
            found.setdefault(step.sweep, []).append(Sweep(step.sweep, grid.frequencies(), traces, step.ports))
    return found


def true_figures(at: SimulatedBench, band_hz: tuple[float, float]) -> dict[str, float]:
    """Return the figures of the true unit, by their definitions, over a fine grid from band edge to band edge."""
    return figures_of(at.unit_three_port(np.linspace(*band_hz, TRUTH_POINTS)))


def figures_of(s: NDArray[np.complex128]) -> dict[str, float]:
    """Return the figures of a three-port over its band, shape (F, 3, 3), by their definitions."""
    coupling = coupling_of(s)
    match = float(np.max(np.abs(s[:, (0, 1), (0, 1)])))
    return {
        "coupling_db": float(coupling.max() + coupling.min()) / 2,
        "return_loss_db": float(-20 * np.log10(match)),
        "flatness_db": float(coupling.max() - coupling.min()) / 2,
        "insertion_loss_db": float(_db(s[:, 1, 0]).max()),
        "swr": (1 + match) / (1 - match),
    }


def coupling_of(s: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Return the coupling in dB, shape (F,)."""
    return _db(s[:, 2, 0])


def _db(ratio: NDArray[np.complex128]) -> NDArray[np.float64]:
    return np.asarray(-20 * np.log10(np.abs(ratio)), dtype=np.float64)
