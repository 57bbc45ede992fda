"""The unit sheet: one A4 page that stays with a unit; the decision first, then what it reads, how sure, and what to beware of."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from harness.analysis import Band
from harness.quantities import show_power
from harness.records import CouplingAt, Proof, Sweep
from harness.records.drift import Drift
from harness.records.figure_text import coupling_text, figure_words
from harness.sampler.design import Parts
from harness.sheets.page import render
from harness.sheets.qr import qr_code, unit_text
from harness.sheets.script import readout_script
from harness.sheets.unit_curves import both_sides, coupling_chart, line_charts
from harness.sheets.unit_words import (
    MARKS,
    band_text,
    built_as,
    decision_text,
    figure_rows,
    measured_with,
    reasons,
    shares_text,
    type_cautions,
)
from harness.sheets.where_to_look import MOST, where_to_look

HEAT_RUNS, HEAT_RUNS_WITH_FAULT = 3, 1
"""Empty lines for heat runs; a unit with a fault is proved again before it is heated."""


@dataclass(frozen=True)
class AtBand:
    """The coupling at one band: its name, MHz, dB and half of the interval, as text."""

    band: str
    mhz: str
    coupling: str
    half: str


def unit_sheet(
    proof: Proof,
    sweeps: Mapping[str, Sweep],
    *,
    bands: Sequence[Band],
    parts: Parts,
    withdrawn: str | None = None,
) -> str:
    """Return the sheet of a proof as HTML text; the same record gives the same bytes.

    ``sweeps``: the proof's corrected sweeps, "unit" among them; empty where they are kept elsewhere. ``withdrawn``: why the proof
    does not count.
    """
    script, policy = readout_script()
    return render(
        "unit.html",
        **_first_page(proof, sweeps, bands),
        **_other_pages(proof, sweeps, parts),
        withdrawn=withdrawn,
        script=script,
        policy=policy,
    )


def _first_page(proof: Proof, sweeps: Mapping[str, Sweep], bands: Sequence[Band]) -> dict[str, object]:
    """Return what the first page shows: decision, figures, curves, the coupling at the bands."""
    use = proof.type.use
    return {
        "unit": proof.unit,
        "type": proof.type,
        "mark": MARKS[proof.decision],
        "kind": proof.decision.replace(" ", "-"),
        "decision": decision_text(proof),
        "reasons": reasons(proof),
        "batch": proof.batch,
        "band": band_text(proof.band_hz),
        "usable": None if proof.usable_band_hz is None else band_text(proof.usable_band_hz),
        "most_power": f"{show_power(use.line_power)}, line SWR {use.line_swr:g}",
        "power_error": f"{10 * math.log10(use.line_swr):.2f}" if use.line_swr > 1 else None,
        "when": proof.circumstances.when[:10],
        "qr": qr_code(unit_text(proof), "qr", f"QR code: {proof.unit} and its coupling table as text"),
        "figures": figure_rows(proof),
        "table": coupling_rows(proof.coupling_at, bands),
        "coupling": coupling_chart(proof, bands),
        "line": line_charts(proof, sweeps, bands),
    }


def _other_pages(proof: Proof, sweeps: Mapping[str, Sweep], parts: Parts) -> dict[str, object]:
    """Return what stands below: faults, drift, what it was measured with and how sure, cautions."""
    return {
        "faults": proof.faults,
        "numbered": MOST,
        "look": where_to_look(proof.faults, proof.type),
        "drift": drift_of(proof),
        "built": built_as(proof.type),
        "measured": measured_with(proof),
        "note": proof.circumstances.note,
        "sure": None if proof.uncertainty is None else proof.uncertainty.says,
        "shares": shares_text(proof.budget.get("coupling_db", ())),
        "budgets": [(figure_words(name), lines) for name, lines in proof.budget.items()],
        "how": [(figure_words(name), text) for name, text in proof.how.items()],
        "checks": proof.checks,
        "cautions": type_cautions(proof.type, parts),
        "heat_runs": HEAT_RUNS_WITH_FAULT if proof.faults else HEAT_RUNS,
        "both_sides": both_sides(sweeps),
    }


def coupling_rows(found: Sequence[CouplingAt], bands: Sequence[Band]) -> tuple[AtBand, ...]:
    """Return the coupling table, the bands named."""
    rows = []
    for at in found:
        name = next((band.name for band in bands if band.low_hz <= at.hz <= band.high_hz), "")
        value, half = coupling_text(at)
        rows.append(AtBand(name, f"{at.hz / 1e6:.6g}", value, half))
    return tuple(rows)


def drift_of(proof: Proof) -> Drift | None:
    """Return what a recheck found, None where there is nothing, or nothing that this version reads."""
    try:
        return None if proof.drift is None else Drift.model_validate(proof.drift)
    except ValidationError:
        return None
