"""The unit sheet: one A4 page that stays with a unit; the decision first, then what it reads, how sure, and what to beware of."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup
from pydantic import ValidationError

from harness.analysis import Band
from harness.quantities import show_power
from harness.records import CouplingAt, Proof, Sweep
from harness.records.drift import Drift
from harness.records.figure_text import coupling_text, figure_words
from harness.sampler.design import Parts
from harness.sheets.page import render
from harness.sheets.qr import qr_code, unit_text
from harness.sheets.remainder import remainder_plot
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
    sentence,
    shares_text,
    shortened,
    type_cautions,
)
from harness.sheets.where_to_look import MOST, where_to_look

HEAT_RUNS, HEAT_RUNS_WITH_FAULT = 5, 1
"""Empty lines for heat runs; a unit with a fault is proved again before it is heated."""
ROOM, ROOM_WITH_FAULT = 1500, 1150
"""Characters of what a proof says for itself that fit the printed page as it is."""
SHORT = 140
"""Characters of one sentence about a fault, or about drift."""


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
        "shortened": (lambda text: shortened(text, SHORT)) if (dense := _is_dense(proof)) else shortened,
        "dense": dense,
        "sentence": sentence,
        "numbered": MOST,
        "look": where_to_look(proof.faults, proof.type),
        "remainder": _remainder(proof),
        "drift": drift_of(proof),
        "built": built_as(proof.type),
        "measured": measured_with(proof),
        "note": shortened(proof.circumstances.note),
        "whole_note": proof.circumstances.note,
        "sure": None if proof.uncertainty is None else proof.uncertainty.says,
        "shares": shares_text(proof.budget.get("coupling_db", ())),
        "budgets": [(figure_words(name), lines) for name, lines in proof.budget.items()],
        "how": [(figure_words(name), text) for name, text in proof.how.items()],
        "checks": proof.checks,
        "cautions": type_cautions(proof.type, parts),
        "heat_runs": HEAT_RUNS_WITH_FAULT if proof.faults else HEAT_RUNS,
        "both_sides": both_sides(sweeps),
    }


def _remainder(proof: Proof) -> Markup | None:
    """Return the plot of what the best explanation leaves, where there is a fault to look for."""
    known = None if proof.diagnosis is None else proof.diagnosis.remainder
    return remainder_plot(known) if known is not None and proof.faults else None


def _is_dense(proof: Proof) -> bool:
    """Tell whether there is so much to say that the printed page needs small letters and small charts."""
    found = drift_of(proof)
    texts = [*reasons(proof), proof.type.type.title, shortened(proof.circumstances.note), proof.batch or ""]
    texts += [] if found is None else [shortened(found.changed)]
    texts += [] if proof.uncertainty is None else [proof.uncertainty.says]
    texts += [shortened(text or "") for fault in proof.faults[:MOST] for text in (fault.says, fault.try_, fault.needs)]
    return sum(map(len, texts)) > (ROOM_WITH_FAULT if proof.faults else ROOM)


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
