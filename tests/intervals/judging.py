"""What the program says of one case, beside what is true of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from drivers.simulated.units import type_circuit
from harness.analysis import Band, Evaluation, evaluate
from harness.analysis.decision import tolerances
from harness.records import Decision, Residuals, SamplerType
from harness.records.type_file import ToleranceEntry
from harness.sampler import three_port
from tests.intervals.population import Case
from tests.intervals.proving import TRUTH_POINTS, Measured, coupling_of, figures_of, measure

Where = Literal["at the tolerance", "around it"]
COUPLING_AT = "coupling_at"
SHOWN_HZ = (2e6, 3.65e6, 7.1e6, 14.2e6, 28.5e6, 50e6)
"""Frequencies at which the coupling is judged, one a case, in turn."""


@dataclass(frozen=True)
class Said:
    """One figure of one case. ``low``, ``high``: as the program states them; ``truth``: of the true unit.

    ``outside``: whether the truth is outside the tolerance (on it counts as inside).
    """

    value: float
    low: float | None
    high: float | None
    truth: float
    decision: Decision | None = None
    outside: bool = False

    @property
    def holds(self) -> bool:
        """Whether an interval or a bound is stated and holds the truth."""
        stated = self.low is not None or self.high is not None
        return stated and (self.low is None or self.low <= self.truth) and (self.high is None or self.truth <= self.high)


@dataclass(frozen=True)
class Outcome:
    """What came of one case. ``figures``: by name, and "coupling_at" for the coupling at one frequency.

    ``where``: whether the tolerances were laid on the truth, or around what such units have.
    """

    stratum: str
    kit: str
    where: Where
    figures: dict[str, Said]
    decision: Decision
    failed_checks: tuple[str, ...]


def judge(case: Case, draws: int, residuals: Residuals | None = None, measured: Measured | None = None) -> Outcome:
    """Measure one case and return what the program says of it; ``residuals`` stand in the place of those the bench states.

    The tolerances of every other case are laid on the truth of its unit. ``measured``: what was measured of it already.
    """
    measured = measured or measure(case)
    where: Where = "at the tolerance" if case.number % 2 == 0 else "around it"
    asked = _on_the_truth(case, measured) if where == "at the tolerance" else _around(case)
    type_ = case.type_.model_copy(update={"tolerance": asked})
    hz = SHOWN_HZ[case.number % len(SHOWN_HZ)]
    stated = residuals or case.residuals
    said = evaluate(
        measured.sweeps,
        type_,
        measured.terminations,
        (Band(name="shown", low_hz=hz, high_hz=hz),),
        case.adapters,
        residuals=stated,
        seed=case.number,
        draws=draws,
    )
    return Outcome(
        stratum=str(case.stratum),
        kit=case.bench.uncertainty.kit if case.bench.uncertainty else "",
        where=where,
        figures=_said(said, type_, measured, hz),
        decision=said.decision,
        failed_checks=tuple(check.name for check in said.checks if not check.ok),
    )


def _said(said: Evaluation, type_: SamplerType, measured: Measured, hz: float) -> dict[str, Said]:
    allowed = tolerances(type_)
    found = {}
    for name, truth in measured.truth.items():
        figure, (least, most) = said.figures[name], allowed[name]
        outside = (least is not None and truth < least - 1e-9) or (most is not None and truth > most + 1e-9)
        found[name] = Said(figure.value, figure.low, figure.high, truth, figure.decision, outside)
    at = said.coupling_at[0]
    truth = float(coupling_of(measured.at.unit_three_port(np.array([hz])))[0])
    found[COUPLING_AT] = Said(at.db, at.low, at.high, truth)
    return found


def _on_the_truth(case: Case, measured: Measured) -> ToleranceEntry:
    """Return tolerances whose limits are what the unit truly has; the coupling's lower and upper limit in turn."""
    true = measured.truth
    aside = 1.0 if case.number % 4 == 0 else -1.0
    return ToleranceEntry.model_construct(
        coupling=true["coupling_db"] + aside,
        coupling_error=1.0,
        flatness=true["flatness_db"],
        return_loss=true["return_loss_db"],
        insertion_loss=true["insertion_loss_db"],
    )


def _around(case: Case) -> ToleranceEntry:
    """Return tolerances that part of the units miss: some hundredths of a dB round the nominal unit, and 33 dB."""
    nominal = figures_of(three_port(type_circuit(case.type_), np.linspace(*case.type_.band_hz, TRUTH_POINTS)))
    return ToleranceEntry.model_construct(
        coupling=nominal["coupling_db"],
        coupling_error=0.06,
        flatness=nominal["flatness_db"] + 0.02,
        return_loss=33.0,
        insertion_loss=nominal["insertion_loss_db"] + 0.002,
    )
